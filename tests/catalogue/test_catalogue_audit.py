"""Auditing a library: every state, what it writes down, and images without a record."""

from __future__ import annotations

import errno
import os
from pathlib import Path
from typing import Any

import pytest

from failing_medium import fail_reads, sectors
from made_library import DATE, TICK, Library, overwrite, tide_image, write
from make_image import Boot, flip, make_iso
from mediashelf.catalogue.auditing.names import plan_audit
from mediashelf.catalogue.images import findings_on_record
from mediashelf.catalogue.rows import ImageRow
from mediashelf.catalogue.scanning import walk
from mediashelf.catalogue.scanning.reading import image as reading
from mediashelf.errors import InputError
from mediashelf.findings import Severity
from mediashelf.formats.raw.sectors import encode_mode_1
from mediashelf.image import open_image
from mediashelf.integrity.fixity.reading import digest_file

MIB = 1 << 20
LONG_AGO = "2001-02-03T04:05:06Z"


def row(library: Library, path: str = "tide.iso") -> ImageRow:
    found = library.catalogue.image_by_path(library.root / path)
    assert found is not None
    return found


def forget_the_day(library: Library) -> None:
    """Put the days of recording far back, so that confirming shows."""
    library.catalogue.db.execute(
        "UPDATE fixity SET recorded_at = ?, confirmed_at = ?", [LONG_AGO] * 2
    )


@pytest.fixture
def tide(library: Library) -> Path:
    path = write(library.root / "tide.iso", tide_image(mebibytes=3), DATE)
    library.scan()
    forget_the_day(library)
    return path


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


def test_a_file_that_is_written_meanwhile_is_not_judged(
    library: Library, tide: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def meanwhile(path: Path, **options: Any) -> Any:
        digests = digest_file(path, **options)
        os.utime(path, ns=(DATE + TICK, DATE + TICK))
        return digests

    monkeypatch.setattr(reading, "digest_file", meanwhile)
    result = library.audit()["home: tide.iso"]
    assert result.verdict.state == "changing"
    (finding,) = result.verdict.findings
    assert (finding.rule, finding.severity) == ("file-at-rest", Severity.WARNING)
    assert "changed while it was read" in finding.message
    assert "audit it again" in finding.remedy
    assert row(library).confirmed_at == LONG_AGO
    assert row(library).state == "recorded"


@pytest.mark.parametrize("size", [2 << 20, (3 << 20) + 4096])
def test_a_file_that_is_damaged_while_it_is_written_is_not_called_so(
    library: Library, tide: Path, size: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It becomes shorter or longer in the middle of the reading, with other bytes."""

    def meanwhile(path: Path, **options: Any) -> Any:
        os.truncate(path, size)
        return digest_file(path, **options)

    tide.write_bytes(bytes(1 << 20) + tide.read_bytes()[1 << 20 :])
    os.utime(tide, ns=(DATE, DATE))
    monkeypatch.setattr(reading, "digest_file", meanwhile)
    result = library.audit()["home: tide.iso"]
    assert [finding.rule for finding in result.verdict.findings] == ["file-at-rest"]
    assert (result.verdict.state, result.touched, result.verdict.spans) == ("changing", (), ())


def test_sectors_that_the_medium_does_not_give_are_named_with_their_files(
    library: Library, tide: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with open_image(tide) as image:
        filler = next(e for e in image.facts.volumes[0].entries if e.name == "FILLER.DAT")
    lba = filler.extents[0].lba + 600
    fail_reads(monkeypatch, tide, *sectors(lba, lba + 1, lba + 7))
    result = library.audit()["home: tide.iso"]
    assert result.verdict.state == "unreadable"
    assert result.verdict.basis == (
        "read around what the medium did not give; 3 blocks of 1 MiB as recorded"
    )
    (finding,) = result.verdict.findings
    assert finding.message == (
        f"3 sectors cannot be read here (LBA {lba} to {lba + 1}, {lba + 7}); all others were read"
    )
    assert "copy what can be read to another disk first" in finding.remedy
    assert [span.offset // 2048 for span in result.damage] == [lba, lba + 7]
    assert [(hit.path, hit.touched) for hit in result.touched] == [("/FILLER.DAT", 3 * 2048)]
    assert row(library).state == "unreadable"
    assert row(library).confirmed_at == LONG_AGO
    monkeypatch.undo()
    assert library.audit()["home: tide.iso"].verdict.state == "sound"


def test_what_the_medium_gives_is_compared_with_the_record(
    library: Library, tide: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One block has bad sectors, another has decayed: both are told, and no more than that."""
    overwrite(tide, (2 << 20) + 5000, b"rot")
    fail_reads(monkeypatch, tide, *sectors(600))
    result = library.audit()["home: tide.iso"]
    assert result.verdict.state == "unreadable"
    assert result.verdict.basis == (
        "read around what the medium did not give; 1 of 3 blocks of 1 MiB differs"
    )
    unreadable, decayed = result.verdict.findings[:2]
    assert unreadable.rule == "file-is-readable"
    assert decayed.rule == "bytes-as-recorded"
    assert decayed.message.startswith(
        "of what could be read, 1 of 3 blocks of 1 MiB differs from the record of "
    )
    assert (decayed.offset, decayed.length) == (2 << 20, 1 << 20)
    assert [(span.offset, span.length) for span in result.damage] == [
        (600 * 2048, 2048),
        (2 << 20, 1 << 20),
    ]


def test_damage_in_a_boot_image_that_no_tree_names(library: Library) -> None:
    made = make_iso({"README.TXT": b"tide"}, boot=Boot(b"\xfa" + bytes(2000), sectors=4))
    path = write(library.root / "boot.iso", made.data, DATE)
    library.scan()
    write(path, flip(made.data, made.at("boot-image") + 700), DATE)
    result = library.audit()["home: boot.iso"]
    assert result.verdict.state == "decayed"
    assert "the boot image of El Torito entry 1" in [hit.path for hit in result.touched]
    assert result.entry_count == 2  # README.TXT, and the boot image


def test_descriptors_that_the_medium_does_not_give(
    library: Library, tide: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The names are those on record; nothing is called damaged or missing that was not read."""
    fail_reads(monkeypatch, tide, *sectors(16))
    result = library.audit()["home: tide.iso"]
    assert result.verdict.state == "unreadable"
    assert [finding.rule for finding in result.verdict.findings] == [
        "file-is-readable",
        "structure-is-readable",
    ]
    told = result.verdict.findings[0].message
    assert "2,048 bytes cannot be read here (bytes 32,768 to 34,815)" in told


def test_medium_that_gives_nothing_at_all_is_left_soon(
    library: Library, tide: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    fail_reads(monkeypatch, tide, range(1 << 40))
    monkeypatch.setattr("mediashelf.integrity.fixity.medium.MOST_FAILED_READS", 10)
    result = library.audit()["home: tide.iso"]
    size = tide.stat().st_size
    assert f"{size:,} bytes cannot be read here (bytes 0 to {size - 1:,})" in (
        result.verdict.findings[0].message
    )


def test_file_of_a_sheet_that_the_medium_does_not_give(
    library: Library, monkeypatch: pytest.MonkeyPatch
) -> None:
    raw = b"".join(encode_mode_1(bytes(2048), lba) for lba in range(400))
    image = write(library.root / "kiosk.bin", raw, DATE)
    sheet = 'FILE "kiosk.bin" BINARY\nTRACK 01 MODE1/2352\nINDEX 01 00:00:00\n'
    write(library.root / "kiosk.cue", sheet.encode(), DATE)
    library.scan()
    fail_reads(monkeypatch, image, range(300 * 2352, 301 * 2352))
    results = library.audit()
    assert results["home: kiosk.bin"].verdict.state == "unreadable"
    assert "(LBA 299 to 301)" in results["home: kiosk.bin"].verdict.findings[0].message
    for name in ("home: kiosk.bin", "home: kiosk.cue"):
        (lost,) = (one for one in results[name].verdict.findings if one.rule == "sector-lost")
        # 2,048 bytes at once are passed over; what little sector 301 lost, its parity gives back.
        assert lost.where == "kiosk.bin, track 1, LBA 299–300"
        assert lost.message == "2 sectors lost: the medium does not give them whole here"
        counts = results[name].reading.sectors or {}
        assert (counts["good"], counts["corrected"], counts["lost"]) == (397, 1, 2)
    told = [finding.remedy for each in results.values() for finding in each.verdict.findings]
    assert not [remedy for remedy in told if "beside it" in remedy]


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


def test_an_image_without_a_record(library: Library, tide: Path) -> None:
    new = write(library.root / "new.iso", tide_image(9))
    results = library.audit()
    result = results["home: new.iso"]
    assert result.verdict.state == "unrecorded"
    assert result.verdict.basis == "all bytes read; no recorded digest; structure read"
    assert result.twins == ()
    assert library.catalogue.image_by_path(new) is None  # an audit records nothing


def test_a_copy_elsewhere_is_compared_with_the_record(library: Library, tide: Path) -> None:
    card = library.root.parent / "card"
    copy = write(card / "tide.iso", tide.read_bytes())
    (result,) = library.audit([str(card)]).values()
    assert [twin.path for twin in result.twins] == ["tide.iso"]
    overwrite(copy, 2 * MIB, b"\x00\x01\x02\x03")
    (result,) = library.audit([str(copy)]).values()
    assert result.twins == ()
    (finding,) = result.verdict.findings
    assert finding.rule == "copy-agrees"
    assert "home: tide.iso, but 1 of 4 blocks of 1 MiB differs" in finding.message


def test_a_namesake_with_other_bytes_is_not_called_a_copy(library: Library, tide: Path) -> None:
    other = write(library.root.parent / "card" / "tide.iso", tide_image(77, mebibytes=1))
    (result,) = library.audit([str(other)]).values()
    assert result.verdict.findings == ()


def test_every_algorithm_on_record_is_compared(library: Library, tide: Path) -> None:
    library.catalogue.db.execute(
        "INSERT INTO fixity (image_id, algorithm, digest, size, recorded_at, confirmed_at) "
        "SELECT image_id, 'sha256', ?, size, recorded_at, confirmed_at FROM fixity",
        ["0" * 64],
    )
    assert library.audit()["home: tide.iso"].verdict.state == "decayed"


def test_auditing_without_a_catalogue(library: Library, tmp_path: Path) -> None:
    path = write(tmp_path / "apart" / "tide.iso", tide_image())
    (result,) = library.audit([str(path)]).values()
    assert result.job.row is None
    assert result.verdict.state == "unrecorded"


def where(library: Library, *names: str) -> list[str]:
    return [job.where for job in plan_audit(library.catalogue, names)]


def test_what_names_mean(library: Library, monkeypatch: pytest.MonkeyPatch) -> None:
    card = library.add_shelf("card")
    write(library.root / "a" / "tide.iso", tide_image(1))
    write(library.root / "b" / "tide.iso", tide_image(2))
    write(card / "ebb.iso", tide_image(3))
    library.scan()
    write(library.root / "a" / "new.iso", tide_image(4))
    everything = ["card: ebb.iso", "home: a/new.iso", "home: a/tide.iso", "home: b/tide.iso"]
    assert where(library) == everything
    assert where(library, "HOME") == everything[1:]
    assert where(library, str(library.root / "a")) == everything[1:3]
    assert where(library, str(card / "ebb.iso")) == ["card: ebb.iso"]
    assert where(library, "ebb.iso") == ["card: ebb.iso"]
    assert where(library, "b/TIDE.iso") == ["home: b/tide.iso"]
    assert where(library, "home/a/tide.iso") == ["home: a/tide.iso"]
    assert where(library, "card", "ebb.iso", "card") == ["card: ebb.iso"]
    monkeypatch.chdir(library.root)
    assert where(library, "a/tide.iso") == ["home: a/tide.iso"]
    assert where(library, "./b") == ["home: b/tide.iso"]
    with pytest.raises(
        InputError, match=r"matches 2 images \(home: a/tide\.iso, home: b/tide\.iso\)"
    ):
        where(library, "tide.iso")
    with pytest.raises(InputError, match="has this name; did you mean 'card'"):
        where(library, "cart")


def test_a_link_to_a_recorded_image_is_that_image(library: Library, tide: Path) -> None:
    link = library.root.parent / "link.iso"
    link.symlink_to(tide)
    assert where(library, str(link)) == ["home: tide.iso"]


def test_an_explicit_file_is_audited_whatever_it_is(library: Library, tmp_path: Path) -> None:
    path = write(tmp_path / "apart" / "notes.txt", b"no image at all")
    (result,) = library.audit([str(path)]).values()
    assert result.verdict.state == "damaged"
    assert [finding.rule for finding in result.verdict.findings] == ["no-volume"]
    os.mkfifo(tmp_path / "pipe")
    (result,) = library.audit([str(tmp_path / "pipe")]).values()
    assert result.verdict.state == "unreadable"


def test_an_audit_never_writes_to_images(library: Library, tide: Path) -> None:
    before = tide.stat()
    library.audit()
    after = tide.stat()
    assert (before.st_mtime_ns, before.st_ctime_ns) == (after.st_mtime_ns, after.st_ctime_ns)


def test_a_sheet_and_its_raw_image(library: Library) -> None:
    write(library.root / "d.bin", os.urandom(2352 * 30), DATE)
    write(library.root / "d.cue", b'FILE "d.bin" BINARY\n  TRACK 01 AUDIO\n    INDEX 01 00:00:00\n')
    library.scan()
    results = library.audit()
    assert {where: each.verdict.state.value for where, each in results.items()} == {
        "home: d.bin": "sound",
        "home: d.cue": "sound",
    }


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
