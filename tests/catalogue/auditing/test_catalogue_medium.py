"""Images on media that do not give all bytes, and files that are written while they are audited."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import pytest

from audited_tide import LONG_AGO, row
from failing_medium import fail_reads, sectors
from made_library import DATE, TICK, Library, overwrite, write
from make_image import Boot, flip, make_iso
from mediashelf.catalogue.scanning.reading import image as reading
from mediashelf.findings import Severity
from mediashelf.formats.raw.sectors import encode_mode_1
from mediashelf.image import open_image
from mediashelf.integrity.fixity.reading import digest_file


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
    assert (decayed.rule, decayed.severity) == ("bytes-as-recorded", Severity.ERROR)
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
