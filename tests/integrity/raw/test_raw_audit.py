"""Audits of raw images: which sectors are what, where, and why.

Where sync, header, data, EDC and parity are: layout comment of the Linux kernel's
uapi/linux/cdrom.h. The EDC: CRC-32/CD-ROM-EDC of the RevEng catalogue. P and Q parity
(ECMA-130 Annex A): from memory, and right on all 302 sectors of a published mode 1 image.
Block 0 is at 00:02:00: uapi/linux/cdrom.h. Verdicts, runs and findings: own behaviour.
"""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from make_image import put
from make_raw import flip, form_2_image, noise, split, spoil, without_headers, write_disc
from mediashelf.findings import Severity
from mediashelf.formats.raw.sectors import LAYOUTS as LAYOUTS_BY_NAME
from mediashelf.formats.raw.sectors import encode_mode_1
from mediashelf.formats.raw.verdicts import SectorVerdict
from mediashelf.integrity.raw.auditing import audit_raw
from mediashelf.integrity.raw.convert import choose_track, convert_track
from mediashelf.integrity.raw.runs import MOST_FINDINGS, PARITY_DAMAGED, SectorRun
from mediashelf.integrity.raw.scan import iter_batches
from mediashelf.integrity.raw.tracks import RawTrack, read_raw_disc
from raw_layouts import DATA, FORM_1, HEADED, LAYOUTS, MODE_1, SECTORS, audit, counts, rules


@pytest.mark.parametrize("parity", [False, True])
@pytest.mark.parametrize("kind", LAYOUTS)
def test_sound_image_yields_nothing(tmp_path: Path, kind: str, parity: bool) -> None:
    report = audit(tmp_path, LAYOUTS[kind], kind, parity=parity)
    assert counts(report) == {"good": SECTORS}
    assert report.findings == ()
    assert report.tracks[0].runs == ()


@pytest.mark.parametrize("kind", LAYOUTS)
def test_bare_file_is_recognised(tmp_path: Path, kind: str) -> None:
    path = tmp_path / "disc.bin"
    path.write_bytes(LAYOUTS[kind])
    report = audit_raw(path)
    assert counts(report) == {"good": SECTORS}
    assert report.tracks[0].track.layout.name == kind
    assert report.findings == ()


def test_bare_file_beside_its_sheet(tmp_path: Path) -> None:
    write_disc(tmp_path, MODE_1)
    report = audit_raw(tmp_path / "kiosk.bin")
    assert [(item.rule, item.severity) for item in report.findings] == [
        ("sheet-beside-image", Severity.NOTE)
    ]


@pytest.mark.parametrize("kind", LAYOUTS)
def test_damage_is_told_apart_and_placed(tmp_path: Path, kind: str) -> None:
    pitch = len(LAYOUTS[kind]) // SECTORS
    image = flip(LAYOUTS[kind], 3 * pitch + 500)
    image = spoil(image, 520 * pitch + 100, 86)
    image = flip(image, 521 * pitch + 300, 521 * pitch + 303)
    image = spoil(spoil(image, 598 * pitch + 100, 400), 599 * pitch + 100, 400)
    report = audit(tmp_path, image, kind)
    assert counts(report) == {"good": SECTORS - 5, "corrected": 3, "lost": 2}
    (track,) = report.tracks
    assert [(run.verdict, run.first_lba, run.count, run.bytes_changed) for run in track.runs] == [
        (SectorVerdict.CORRECTED, 3, 1, 1),
        (SectorVerdict.CORRECTED, 520, 2, 88),
        (SectorVerdict.LOST, 598, 2, 0),
    ]
    assert [(run.offset, run.size) for run in track.runs] == [
        (3 * pitch, pitch),
        (520 * pitch, 2 * pitch),
        (598 * pitch, 2 * pitch),
    ]
    assert track.bytes_corrected == 89
    assert [(item.rule, item.severity, item.where) for item in report.findings] == [
        ("sector-damaged", Severity.ERROR, "kiosk.bin, track 1, LBA 3"),
        ("sector-damaged", Severity.ERROR, "kiosk.bin, track 1, LBA 520–521"),
        ("sector-lost", Severity.ERROR, "kiosk.bin, track 1, LBA 598–599"),
    ]
    assert (report.findings[2].offset, report.findings[2].length) == (598 * pitch, 2 * pitch)


def test_parity_is_read_only_when_asked(tmp_path: Path) -> None:
    image = flip(MODE_1, 7 * 2352 + 2100, 8 * 2352 + 2351, 555 * 2352 + 2070)
    assert audit(tmp_path, image).findings == ()
    report = audit(tmp_path, image, parity=True)
    assert counts(report) == {"good": SECTORS}
    assert report.tracks[0].is_parity_read
    # The user data are right: nothing to do, so a note.
    assert [(item.rule, item.severity, item.where) for item in report.findings] == [
        ("sector-parity", Severity.NOTE, "kiosk.bin, track 1, LBA 7–8"),
        ("sector-parity", Severity.NOTE, "kiosk.bin, track 1, LBA 555"),
    ]
    assert PARITY_DAMAGED in report.findings[0].message


def without_checks(image: bytes, start: int) -> bytes:
    """Sectors as some programs write them: EDC and parity are left as zeros."""
    sectors = split(image, 2352)
    return b"".join(sector[:start] + bytes(2352 - start) for sector in sectors)


@pytest.mark.parametrize(
    ("kind", "start"), [("MODE1/2352", 2064), ("MODE2/2352", 2072)], ids=["mode 1", "form 1"]
)
def test_sectors_without_edc_and_parity_have_no_check(
    tmp_path: Path, kind: str, start: int
) -> None:
    """Where EDC and parity stand: layout comment of uapi/linux/cdrom.h. The rest: own behaviour."""
    image = without_checks(LAYOUTS[kind], start)
    blank = put(image, 3 * 2352 + 16, bytes(2336))  # a sector of zeros among them
    report = audit(tmp_path, blank, kind)
    assert counts(report) == {"unchecked": SECTORS}
    assert {(item.rule, item.severity) for item in report.findings} == {
        ("sector-unproved", Severity.NOTE)
    }
    assert "no check recorded" in report.findings[0].message
    # What was cut off was not zeros.
    assert counts(audit(tmp_path, image[:-1000], kind)) == {"unchecked": SECTORS - 1, "lost": 1}
    # Beside sectors that have them, zeros in their place are damage: a failed write ends so.
    mixed = put(LAYOUTS[kind], 9 * 2352 + 900, bytes(1452))
    assert counts(audit(tmp_path, mixed, kind)) == {"good": SECTORS - 1, "lost": 1}


def test_sectors_without_checks_are_converted_with_a_note(tmp_path: Path) -> None:
    disc = read_raw_disc(write_disc(tmp_path, without_checks(MODE_1, 2064)))
    output = tmp_path / "kiosk.iso"
    result = convert_track(disc, choose_track(disc), output)
    assert result.is_written
    assert output.read_bytes() == DATA
    notes = [item.message for item in result.findings if item.severity is Severity.NOTE]
    assert notes == [f"{SECTORS} sectors unchecked: no check recorded"]


def test_without_sync_or_address_a_sector_without_checks_is_lost(tmp_path: Path) -> None:
    image = without_checks(MODE_1, 2064)
    image = put(image, 5 * 2352, bytes(12))
    image = put(image, 7 * 2352 + 12, b"\x55\x55\x55")
    assert counts(audit(tmp_path, image)) == {"unchecked": SECTORS - 2, "lost": 2}


def test_sectors_from_elsewhere(tmp_path: Path) -> None:
    doubled = MODE_1[: 100 * 2352] + MODE_1[99 * 2352 :]
    report = audit(tmp_path, doubled)
    assert counts(report) == {"good": 100, "misplaced": SECTORS - 99}
    (run,) = report.tracks[0].runs
    assert (run.first_lba, run.reason) == (100, "its address is that of 1 sector further back")
    assert rules(report) == ["sector-misplaced"]


def test_wrong_sync_wrong_mode_and_wrong_address(tmp_path: Path) -> None:
    image = flip(MODE_1, 10 * 2352 + 5, 11 * 2352 + 15, 12 * 2352 + 13)
    report = audit(tmp_path, image)
    assert counts(report) == {"good": SECTORS - 3, "corrected": 3}
    assert report.tracks[0].bytes_corrected == 3


@pytest.mark.parametrize("kind", HEADED)
def test_every_byte_of_sync_and_address_is_compared(tmp_path: Path, kind: str) -> None:
    pitch = len(LAYOUTS[kind]) // SECTORS
    image = flip(LAYOUTS[kind], *(sector * pitch + sector - 100 for sector in range(100, 115)))
    report = audit(tmp_path, image, kind)
    assert sum(run.count for run in report.tracks[0].runs) == 15
    assert report.counts[SectorVerdict.LOST] == 0
    assert report.counts[SectorVerdict.GOOD] == SECTORS - 15


def test_track_of_another_mode_than_the_sheet_says(tmp_path: Path) -> None:
    report = audit(tmp_path, FORM_1, "MODE1/2352")
    assert counts(report) == {"good": SECTORS}
    assert [(one.rule, one.severity) for one in report.findings] == [
        ("track-mode", Severity.WARNING)
    ]
    mixed = audit(tmp_path, MODE_1[: 590 * 2352] + FORM_1[590 * 2352 :])
    assert rules(mixed) == ["track-mode"]
    assert "10 sectors" in mixed.findings[0].message


def test_forms_of_mode_2(tmp_path: Path) -> None:
    proved = form_2_image(noise(10 * 2324), first_lba=SECTORS)
    bare = form_2_image(noise(10 * 2324), first_lba=SECTORS + 10, with_edc=False)
    report = audit(tmp_path, FORM_1 + proved + bare, "MODE2/2352", parity=True)
    assert counts(report) == {"good": SECTORS + 10, "unchecked": 10}
    assert rules(report) == ["sector-unproved"]
    assert report.findings[0].severity is Severity.NOTE
    damaged = flip(FORM_1 + proved, (SECTORS + 2) * 2352 + 900)
    assert counts(audit(tmp_path, damaged, "MODE2/2352")) == {"good": SECTORS + 9, "lost": 1}


def test_hole_in_a_file_without_headers_is_not_called_good(tmp_path: Path) -> None:
    image = without_headers(FORM_1)
    image = image[: 50 * 2336] + bytes(4 * 2336) + image[54 * 2336 :]
    report = audit(tmp_path, image, "MODE2/2336")
    assert counts(report) == {"good": SECTORS - 4, "unchecked": 4}


@pytest.mark.parametrize("kind", LAYOUTS)
def test_what_is_called_good_or_corrected_is_right(tmp_path: Path, kind: str) -> None:
    source = random.Random(kind)
    pitch, count = len(LAYOUTS[kind]) // SECTORS, 60
    sound = LAYOUTS[kind][: count * pitch]
    path = tmp_path / "disc.bin"
    seen: set[SectorVerdict] = set()
    for _ in range(40):
        image = bytearray(sound)
        for _ in range(source.randrange(1, 4)):
            size = source.choice([1, 16, 64, 128, 172, 200, 512, 4096])
            start = source.randrange(len(image) - size)
            other = source.randrange(len(image) - size)
            image[start : start + size] = source.choice(
                [bytes(size), b"\xff" * size, source.randbytes(size), sound[other : other + size]]
            )
        path.write_bytes(image)
        track = RawTrack(1, LAYOUTS_BY_NAME[kind], path, 0, len(image))
        for batch in iter_batches(track, 0):
            data = batch.user_data()
            for index in range(count):
                judged = batch.judged.get(index)
                verdict = judged.verdict if judged else SectorVerdict.GOOD
                seen.add(verdict)
                if verdict in (SectorVerdict.GOOD, SectorVerdict.CORRECTED):
                    place = slice(index * 2048, (index + 1) * 2048)
                    assert data[place] == DATA[place]
    assert seen >= {SectorVerdict.GOOD, SectorVerdict.CORRECTED, SectorVerdict.LOST}


@pytest.mark.parametrize(
    ("cut", "verdict"),
    [
        (1, "good"),  # a part of the parity is gone, the data are proved
        (276, "good"),
        (284, "good"),
        (285, "lost"),  # the last byte of the EDC is gone too
        (1000, "lost"),
        (2351, "lost"),
    ],
)
def test_last_sector_that_is_cut_short(tmp_path: Path, cut: int, verdict: str) -> None:
    report = audit(tmp_path, MODE_1[:-cut])
    lost = int(verdict == "lost")
    assert counts(report) == {"good": SECTORS - lost} | ({"lost": 1} if lost else {})
    finding = report.findings[0]
    assert (finding.rule, finding.severity) == ("track-cut-short", Severity.WARNING)
    assert finding.message == f"The last sector has only {2352 - cut} of its 2,352 bytes"
    assert (finding.offset, finding.length) == ((SECTORS - 1) * 2352, 2352 - cut)
    assert [run.size for run in report.tracks[0].runs] == [2352 - cut] * lost
    bare = tmp_path / "bare.bin"
    bare.write_bytes(MODE_1[:-cut])
    assert rules(audit_raw(bare)) == rules(report)


def test_many_runs_become_a_bounded_number_of_findings(tmp_path: Path) -> None:
    sector = without_headers(FORM_1)[:2336]
    image = (sector + bytes(2336)) * (MOST_FINDINGS + 20)
    report = audit(tmp_path, image, "MODE2/2336")
    assert len(report.tracks[0].runs) == MOST_FINDINGS + 20
    assert len(report.findings) == MOST_FINDINGS + 1
    assert report.findings[-1].message == "20 more runs of sectors like these"


def test_addresses_start_again_after_100_minutes(tmp_path: Path) -> None:
    last, first = encode_mode_1(bytes(2048), 449_849), encode_mode_1(bytes(2048), -150)
    path = tmp_path / "disc.bin"
    path.write_bytes(last + first)
    report = audit_raw(path)
    assert counts(report) == {"good": 2}


def test_start_that_headers_do_not_agree_on(tmp_path: Path) -> None:
    path = tmp_path / "disc.bin"
    path.write_bytes(encode_mode_1(DATA[:2048], 0) + encode_mode_1(DATA[:2048], 700))
    report = audit_raw(path)
    assert counts(report) == {"good": 1, "misplaced": 1}
    assert report.tracks[0].first_lba == 0


def test_run_in_words() -> None:
    run = SectorRun(SectorVerdict.LOST, "", 120, 1, 0, 2352)
    assert run.blocks == "LBA 120"
    assert SectorRun(SectorVerdict.LOST, "", 120, 16, 0, 16 * 2352).blocks == "LBA 120–135"
