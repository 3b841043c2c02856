"""Auditing a library: every state that an image can be in, and what is written down."""

from __future__ import annotations

import errno
import os
from pathlib import Path
from typing import Any

import pytest

from audited_tide import LONG_AGO, MIB, row
from made_library import DATE, TICK, Library, overwrite, write
from make_image import flip, make_iso
from mediashelf.catalogue.images import findings_on_record
from mediashelf.catalogue.scanning import walk
from mediashelf.catalogue.scanning.reading import image as reading
from mediashelf.errors import InputError
from mediashelf.findings import Severity
from mediashelf.image import open_image
from mediashelf.integrity.fixity.reading import digest_file


def test_sound_is_confirmed_with_the_day(library: Library, tide: Path) -> None:
    result = library.audit()["home: tide.iso"]
    assert result.verdict.state == "sound"
    assert result.verdict.basis == "all bytes as recorded 2001-02-03; structure read"
    kept = row(library)
    assert kept.state == "sound"
    assert kept.recorded_at == LONG_AGO
    assert kept.confirmed_at > LONG_AGO
    assert kept.audited_at is not None


def test_decay_names_the_block_and_the_file_it_hit(library: Library, tide: Path) -> None:
    with open_image(tide) as image:
        filler = next(e for e in image.facts.volumes[0].entries if e.name == "FILLER.DAT")
    at = filler.extents[0].lba * 2048 + MIB + 5
    overwrite(tide, at, b"\x00\x01\x02\x03")
    result = library.audit()["home: tide.iso"]
    assert result.verdict.state == "decayed"
    assert [(span.offset, span.length) for span in result.verdict.spans] == [(at // MIB * MIB, MIB)]
    assert [entry.path for entry in result.touched] == ["/FILLER.DAT"]
    kept = row(library)
    assert kept.state == "decayed"
    assert kept.confirmed_at == LONG_AGO
    assert [finding.rule for finding in findings_on_record(library.catalogue.db, kept.id)] == [
        "bytes-as-recorded"
    ]


def test_the_files_hit_are_known_although_the_tree_is_destroyed(
    library: Library, tide: Path
) -> None:
    overwrite(tide, 16 * 2048, bytes(64 * 2048))
    result = library.audit()["home: tide.iso"]
    assert result.verdict.state == "decayed"
    assert "no-volume" in {finding.rule for finding in result.verdict.findings}
    assert "/README.TXT" in {entry.path for entry in result.touched}


def test_mending_makes_it_sound_again(library: Library, tide: Path) -> None:
    before = tide.read_bytes()
    overwrite(tide, MIB, b"\x00\x01\x02\x03")
    library.audit()
    overwrite(tide, MIB, before[MIB : MIB + 4])
    assert library.audit()["home: tide.iso"].verdict.state == "sound"
    assert row(library).state == "sound"
    assert findings_on_record(library.catalogue.db, row(library).id) == []


def test_changed_and_truncated(library: Library, tide: Path) -> None:
    data = tide.read_bytes()
    write(tide, data[:-5] + b"other", DATE + TICK)
    assert library.audit()["home: tide.iso"].verdict.state == "changed"
    assert library.states() == {"home: tide.iso": "changed"}
    write(tide, data[: 2 * MIB + 77], DATE + 2 * TICK)
    result = library.audit()["home: tide.iso"]
    assert result.verdict.state == "truncated"
    lost = {entry.path for entry in result.touched}
    assert "/FILLER.DAT" in lost
    assert "/README.TXT" not in lost
    assert row(library).digests  # nothing on record was replaced


def test_a_new_date_with_the_same_bytes_is_sound_and_kept(library: Library, tide: Path) -> None:
    os.utime(tide, ns=(DATE + 7 * TICK, DATE + 7 * TICK))
    assert library.audit()["home: tide.iso"].verdict.state == "sound"
    assert row(library).mtime_ns == DATE + 7 * TICK
    assert library.events() == {}


def test_missing_and_away(library: Library, tide: Path) -> None:
    aside = tide.rename(library.root.parent / "aside.iso")
    assert library.audit()["home: tide.iso"].verdict.state == "missing"
    assert library.audit([str(tide)])["home: tide.iso"].verdict.state == "missing"
    aside.rename(tide)
    library.root.rename(library.root.parent / "unplugged")
    assert library.audit()["home: tide.iso"].verdict.state == "away"
    assert library.audit([str(tide)])["home: tide.iso"].verdict.state == "away"
    assert library.states() == {"home: tide.iso": "away"}
    (library.root.parent / "unplugged").rename(library.root)
    assert library.audit()["home: tide.iso"].verdict.state == "sound"
    assert library.states() == {"home: tide.iso": "sound"}


def test_unreadable(library: Library, tide: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def failing(path: Path, **options: Any) -> Any:
        raise InputError(f"{path}: cannot be read at or after byte 1,048,576: bad disk")

    monkeypatch.setattr(reading, "digest_file", failing)
    result = library.audit()["home: tide.iso"]
    assert result.verdict.state == "unreadable"
    assert "byte 1,048,576" in result.verdict.findings[0].message
    assert row(library).state == "unreadable"


@pytest.mark.parametrize("number", [errno.EACCES, errno.EPERM])
def test_missing_rights_are_known_by_the_number_of_the_error(
    library: Library, tide: Path, monkeypatch: pytest.MonkeyPatch, number: int
) -> None:
    """Its words are in the language of the system."""

    def refused(path: Path, **options: Any) -> Any:
        error = OSError(number, "Zugriff verweigert", str(path))
        raise InputError(f"{path}: cannot be read: {error.strerror}") from error

    library.scan()
    with monkeypatch.context() as patched:
        patched.setattr(reading, "digest_file", refused)
        (finding,) = library.audit()["home: tide.iso"].verdict.findings
    assert finding.message == "cannot be read: Zugriff verweigert"
    assert finding.remedy == "give yourself read permission, and audit again"


@pytest.mark.parametrize("is_named", [False, True], ids=["whole shelf", "by its path"])
def test_an_image_in_a_folder_that_is_closed_is_not_away(
    library: Library, tide: Path, monkeypatch: pytest.MonkeyPatch, is_named: bool
) -> None:
    folder = library.root / "box"
    folder.mkdir()
    inside = tide.rename(folder / tide.name)
    library.scan()
    listed, looked = walk.listed_folder, os.lstat

    def closed(path: Any) -> None:
        if isinstance(path, str | Path) and folder in (Path(path), Path(path).parent):
            raise PermissionError(13, "Permission denied", str(path))

    def refuse(call: Any) -> Any:
        return lambda path, *more, **options: (closed(path), call(path, *more, **options))[1]

    with monkeypatch.context() as patched:
        patched.setattr(walk, "listed_folder", refuse(listed))
        patched.setattr("mediashelf.catalogue.auditing.names.os.lstat", refuse(looked))
        patched.setattr(reading, "digest_file", refuse(digest_file))
        result = library.audit([str(inside)] if is_named else [])["home: box/tide.iso"]
    assert result.verdict.state == "unreadable"
    (finding,) = result.verdict.findings
    assert finding.severity is Severity.ERROR
    assert "Permission denied" in finding.message
    assert finding.remedy == "give yourself read permission, and audit again"


def test_an_image_recorded_damaged_is_damaged_although_its_bytes_are_as_recorded(
    library: Library,
) -> None:
    made = make_iso({"README.TXT": b"tide"}, joliet=3)
    write(library.root / "control.iso", made.data, DATE)
    # The extent's place, of which a record has a copy in each byte order (ECMA-119 9.1.3).
    write(library.root / "tide.iso", flip(made.data, made.record("/README.TXT") + 2), DATE)
    library.scan()
    assert library.states() == {"home: control.iso": "recorded", "home: tide.iso": "damaged"}
    results = library.audit()
    assert results["home: control.iso"].verdict.state == "sound"
    assert results["home: tide.iso"].verdict.state == "damaged"
    assert results["home: tide.iso"].verdict.is_confirmed


def test_structural_damage_does_not_take_the_place_of_decay(library: Library, tide: Path) -> None:
    overwrite(tide, 2 * MIB, b"\x00\x01\x02\x03")
    library.audit()
    overwrite(tide, 17 * 2048, bytes(2048))
    result = library.audit()["home: tide.iso"]
    assert result.verdict.state == "decayed"
    assert {each.severity for each in result.verdict.findings} >= {Severity.ERROR}
    assert row(library).state == "decayed"


def test_a_cut_file_is_truncated(library: Library, tide: Path) -> None:
    os.truncate(tide, 2 * MIB)
    result = library.audit()["home: tide.iso"]
    assert result.verdict.state == "truncated"


def test_every_algorithm_on_record_is_compared(library: Library, tide: Path) -> None:
    library.catalogue.db.execute(
        "INSERT INTO fixity (image_id, algorithm, digest, size, recorded_at, confirmed_at) "
        "SELECT image_id, 'sha256', ?, size, recorded_at, confirmed_at FROM fixity",
        ["0" * 64],
    )
    assert library.audit()["home: tide.iso"].verdict.state == "decayed"


def test_an_audit_never_writes_to_images(library: Library, tide: Path) -> None:
    before = tide.stat()
    library.audit()
    after = tide.stat()
    assert (before.st_mtime_ns, before.st_ctime_ns) == (after.st_mtime_ns, after.st_ctime_ns)


def test_errors_at_recording_are_kept_apart_from_errors_found_since(
    library: Library, tide: Path
) -> None:
    """Whether a digest on record vouches for a sound disc does not change by later damage."""
    assert (row(library).errors, row(library).finding_counts) == (0, {})
    overwrite(tide, 16 * 2048, bytes(64 * 2048))
    library.audit()
    kept = row(library)
    assert kept.errors == 0
    assert kept.finding_counts[Severity.ERROR] >= 2
    assert {finding.rule for finding in findings_on_record(library.catalogue.db, kept.id)} >= {
        "bytes-as-recorded",
        "no-volume",
    }
    os.utime(tide, ns=(DATE + TICK, DATE + TICK))
    library.scan()
    assert row(library).errors == 0  # the record is still that of the sound image
    library.accept("tide.iso")  # now the damaged bytes are what is on record
    assert row(library).errors >= 1
