"""Raw images on shelves: their sectors are judged, and what is wrong names the files it hits."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from made_library import DATE, Library, overwrite, tide_image, write
from make_raw import (
    audio,
    flip,
    form_1_image,
    mode_1_image,
    spoil,
    with_subchannel,
    without_headers,
    write_disc,
    write_sheet,
)
from mediashelf.catalogue.auditing.audit import AuditResult
from mediashelf.findings import Severity
from mediashelf.formats.raw.layout import scramble
from mediashelf.formats.raw.sectors import RAW_SIZE
from mediashelf.formats.raw.verdicts import SectorVerdict
from mediashelf.image import open_image
from mediashelf.integrity.raw import auditing

SOUND = mode_1_image(tide_image(1))
VXD = "/DRIVERS/VIDEO/LKVX3.VXD"


VXD_LBA = tide_image(1).index(b"video driver 1") // 2048


BAD = VXD_LBA * RAW_SIZE + 16
CORRECTABLE = flip(SOUND, BAD + 3)
LOST = spoil(SOUND, BAD, 1500)


def rules(result: AuditResult) -> dict[str, Severity]:
    return {finding.rule: finding.severity for finding in result.verdict.findings}


@pytest.mark.parametrize(
    ("image", "state", "rule"),
    [
        (SOUND, "sound", None),
        (CORRECTABLE, "damaged", "sector-damaged"),
        (LOST, "damaged", "sector-lost"),
    ],
    ids=["sound", "correctable", "lost"],
)
def test_a_sheet_and_its_file_share_a_verdict(
    library: Library, image: bytes, state: str, rule: str | None
) -> None:
    write_disc(library.root, image)
    library.scan()
    assert set(library.states().values()) == {"recorded" if state == "sound" else state}
    results = library.audit()
    for where in ("home: kiosk.bin", "home: kiosk.cue"):
        result = results[where]
        assert result.verdict.state == state
        assert result.verdict.is_confirmed
        if rule is not None:
            assert rules(result)[rule] is Severity.ERROR
            assert [entry.path for entry in result.touched] == [VXD]
            assert result.entry_count == 7
    assert results["home: kiosk.cue"].spans == ()
    if rule is not None:
        (span,) = results["home: kiosk.bin"].damage
        assert results["home: kiosk.bin"].lbas(span) == (VXD_LBA,) * 2


def test_sectors_are_judged_once_for_a_sheet_and_its_file(
    library: Library, monkeypatch: pytest.MonkeyPatch
) -> None:
    write_disc(library.root, SOUND)
    library.scan()
    names: list[str] = []
    real = auditing.audit_raw

    def counting(path: Path, **options: Any) -> Any:
        names.append(path.name)
        return real(path, **options)

    monkeypatch.setattr(auditing, "audit_raw", counting)
    results = library.audit()
    assert names == ["kiosk.cue"]
    total = len(SOUND) // RAW_SIZE
    for result in results.values():
        assert result.reading.sectors is not None
        assert result.reading.sectors[SectorVerdict.GOOD] == total
        assert f"EDC good on {total} sectors" in result.verdict.basis


@pytest.mark.parametrize(
    "image",
    [
        SOUND,
        form_1_image(tide_image(1)),
        with_subchannel(SOUND),
        without_headers(form_1_image(tide_image(1))),
    ],
    ids=["mode 1", "form 1", "subchannel", "no headers"],
)
def test_a_bare_file_is_judged_by_itself(library: Library, image: bytes) -> None:
    path = write(library.root / "kiosk.bin", image, DATE)
    library.scan()
    (result,) = library.audit().values()
    assert (result.verdict.state, rules(result)) == ("sound", {"raw-sectors": Severity.NOTE})
    pitch = result.reading.stored.size
    overwrite(path, VXD_LBA * pitch + result.reading.stored.user_offset + 3, b"!")
    (result,) = library.audit().values()
    assert result.verdict.state == "decayed"
    assert "sector-damaged" in rules(result)
    # The blocks that differ name every file of the first MiB, the sector only one.
    library.accept("kiosk.bin")
    (result,) = library.audit().values()
    assert result.verdict.state == "damaged"
    assert [entry.path for entry in result.touched] == [VXD]


def test_structural_damage_of_a_raw_image_has_its_place_in_the_file(library: Library) -> None:
    data = tide_image(1)
    cut = mode_1_image(data[: VXD_LBA * 2048])
    write(library.root / "kiosk.bin", cut, DATE)
    library.scan()
    (result,) = library.audit().values()
    assert result.verdict.state == "truncated"
    assert VXD in {entry.path for entry in result.touched}
    places = [each for each in result.verdict.findings if each.rule == "extent-inside-image"]
    assert places
    assert min(each.offset or 0 for each in places) >= len(cut)


def test_a_disc_with_sound_behind_its_data(library: Library) -> None:
    sectors = len(CORRECTABLE) // RAW_SIZE
    minutes = f"00:{sectors // 75:02}:{sectors % 75:02}"
    (library.root / "kiosk.bin").write_bytes(CORRECTABLE + audio(30))
    lines = ['FILE "kiosk.bin" BINARY', "  TRACK 01 MODE1/2352", "    INDEX 01 00:00:00"]
    lines += ["  TRACK 02 AUDIO", f"    INDEX 01 {minutes}"]
    write_sheet(library.root, "kiosk.cue", lines)
    library.scan()
    for result in library.audit().values():
        assert result.verdict.state == "damaged"
        assert result.reading.sectors is not None
        assert result.reading.sectors[SectorVerdict.UNCHECKED] == 30
        assert [entry.path for entry in result.touched] == [VXD]
        assert "30 sectors without a checksum" in result.verdict.basis


@pytest.mark.parametrize("sectors", [10, 70], ids=["near", "far"])
def test_data_behind_sound_is_judged_and_has_its_place(library: Library, sectors: int) -> None:
    (library.root / "kiosk.bin").write_bytes(audio(sectors) + CORRECTABLE)
    lines = ['FILE "kiosk.bin" BINARY', "  TRACK 01 AUDIO", "    INDEX 01 00:00:00"]
    lines += ["  TRACK 02 MODE1/2352", f"    INDEX 01 00:00:{sectors:02}"]
    write_sheet(library.root, "kiosk.cue", lines)
    library.scan()
    result = library.audit()["home: kiosk.bin"]
    assert result.verdict.state == "damaged"
    (unread,) = (
        finding
        for finding in library.audit()["home: kiosk.cue"].verdict.findings
        if finding.rule == "track-volume-read"
    )
    assert (unread.severity, unread.where) == (Severity.NOTE, "kiosk.cue, track 2")
    span = result.damage[-1]
    assert span.offset == (sectors + VXD_LBA) * RAW_SIZE
    # Where a file's first sectors do not tell their size, blocks are not counted.
    assert result.lbas(span) == ((sectors + VXD_LBA,) * 2 if sectors == 10 else None)


@pytest.mark.parametrize(
    ("lines", "rule"),
    [
        (['FILE "kiosk.bin" BINARY', "  TRACK 1x MODE1/2352"], "sheet-understood"),
        (
            ['FILE "other.bin" BINARY', "  TRACK 01 MODE1/2352", "    INDEX 01 00:00:00"],
            "sheet-files-readable",
        ),
        (
            ['FILE "../up.bin" BINARY', "  TRACK 01 MODE1/2352", "    INDEX 01 00:00:00"],
            "sheet-understood",
        ),
    ],
    ids=["nonsense", "no such file", "leaves the folder"],
)
def test_a_sheet_that_leads_nowhere_is_damaged_and_its_neighbour_is_not(
    library: Library, lines: list[str], rule: str
) -> None:
    (library.root / "kiosk.bin").write_bytes(SOUND)
    write_sheet(library.root, "kiosk.cue", lines)
    library.scan()
    results = library.audit()
    assert results["home: kiosk.cue"].verdict.state == "damaged"
    assert list(rules(results["home: kiosk.cue"])) == [rule]
    assert str(library.root) not in results["home: kiosk.cue"].verdict.findings[0].where
    assert results["home: kiosk.bin"].verdict.state == "sound"
    assert results["home: kiosk.bin"].reading.sectors is not None


def test_the_made_image_is_what_these_tests_take_it_for(tmp_path: Path) -> None:
    with open_image(write(tmp_path / "a.iso", tide_image(1))) as image:
        entry = next(each for each in image.facts.volumes[0].entries if each.path == VXD)
        assert entry.extents[0].lba == VXD_LBA


def test_damage_below_good_sectors_is_damage_of_the_sheet_too(library: Library) -> None:
    """A disc that was made from a damaged volume: every EDC is good, and the root is not.

    Own behaviour: a sheet and its files are one disc with one verdict.
    """
    volume = tide_image(1)
    root = int.from_bytes(volume[16 * 2048 + 158 :][:4], "little") * 2048
    write_disc(library.root, mode_1_image(volume[:root] + bytes(100) + volume[root + 100 :]))
    library.scan()
    assert library.states() == {"home: kiosk.bin": "damaged", "home: kiosk.cue": "damaged"}
    results = library.audit()
    for where in ("home: kiosk.bin", "home: kiosk.cue"):
        assert results[where].verdict.state == "damaged"
        assert rules(results[where])["self-record"] is Severity.ERROR


def test_an_image_whose_sectors_are_scrambled_is_an_image_that_is_damaged(library: Library) -> None:
    """It was passed over as a file that is no image."""
    sectors = (SOUND[at : at + RAW_SIZE] for at in range(0, len(SOUND), RAW_SIZE))
    write(library.root / "kiosk.bin", b"".join(map(scramble, sectors)))
    library.scan()
    assert library.states() == {"home: kiosk.bin": "damaged"}
    (result,) = library.audit().values()
    assert rules(result)["no-volume"] is Severity.ERROR
