"""Audits of raw images: which sectors are what, where, and why.

Where sync, header, data, EDC and parity are: layout comment of the Linux kernel's
uapi/linux/cdrom.h. The EDC: CRC-32/CD-ROM-EDC of the RevEng catalogue. P and Q parity
(ECMA-130 Annex A): from memory, and right on all 302 sectors of a published mode 1 image.
Block 0 is at 00:02:00: uapi/linux/cdrom.h. Verdicts, runs and findings: own behaviour.
"""

from __future__ import annotations

import os
import random
from pathlib import Path

import pytest

from byte_views import BytesView
from make_image import put
from make_raw import (
    audio,
    flip,
    form_1_image,
    form_2_image,
    mode_1_image,
    noise,
    split,
    spoil,
    with_subchannel,
    without_headers,
    write_disc,
    write_sheet,
)
from mediashelf.errors import FormatError, InputError
from mediashelf.findings import Severity
from mediashelf.formats.disc import read_disc
from mediashelf.formats.raw.cue_words import LONGEST_SHEET
from mediashelf.formats.raw.layout import scramble
from mediashelf.formats.raw.sectors import LAYOUTS as LAYOUTS_BY_NAME
from mediashelf.formats.raw.sectors import encode_mode_1
from mediashelf.formats.raw.verdicts import SectorVerdict
from mediashelf.integrity.raw import alignment
from mediashelf.integrity.raw.auditing import RawReport, audit_raw, find_volume_end
from mediashelf.integrity.raw.convert import choose_track, convert_track
from mediashelf.integrity.raw.runs import MOST_FINDINGS, PARITY_DAMAGED, SectorRun
from mediashelf.integrity.raw.scan import iter_batches
from mediashelf.integrity.raw.tracks import RawTrack, read_raw_disc

SECTORS = 600  # more than are read at once
DATA = noise(SECTORS * 2048, 11)
MODE_1 = mode_1_image(DATA)
FORM_1 = form_1_image(DATA)

LAYOUTS = {
    "MODE1/2352": MODE_1,
    "MODE1/2448": with_subchannel(MODE_1),
    "MODE2/2336": without_headers(FORM_1),
    "MODE2/2352": FORM_1,
    "MODE2/2448": with_subchannel(FORM_1),
}


def counts(report: RawReport) -> dict[str, int]:
    return {verdict.value: count for verdict, count in report.counts.items() if count}


def rules(report: RawReport) -> list[str]:
    return sorted({finding.rule for finding in report.findings})


def audit(
    folder: Path, image: bytes, kind: str = "MODE1/2352", *, parity: bool = False
) -> RawReport:
    return audit_raw(write_disc(folder, image, kind), parity=parity)


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


HEADED = [kind for kind in LAYOUTS if kind != "MODE2/2336"]


@pytest.mark.parametrize("kind", HEADED)
@pytest.mark.parametrize("count", [1, 5, 700])
@pytest.mark.parametrize("sector", [0, 100, 511, 512, SECTORS - 2])
def test_bytes_that_are_missing_or_too_many_cost_one_sector(
    tmp_path: Path, kind: str, count: int, sector: int
) -> None:
    """The next sync, 00 FF*10 00 (layout comment of uapi/linux/cdrom.h), tells where to go on."""
    pitch, image = len(LAYOUTS[kind]) // SECTORS, LAYOUTS[kind]
    for at in (sector * pitch + 5, sector * pitch + 1000):
        lost = image[:at] + image[at + count :]
        extra = image[:at] + b"\x5a" * count + image[at:]
        for changed, words in ((lost, "missing"), (extra, "too many")):
            report = audit(tmp_path, changed, kind)
            assert counts(report) == {"good": SECTORS - 1, "lost": 1}
            assert "track-cut-short" not in rules(report)
            (slip,) = (item for item in report.findings if item.rule == "sectors-in-step")
            assert (slip.severity, slip.where) == (
                Severity.WARNING,
                f"kiosk.bin, track 1, LBA {sector + 1}",
            )
            assert f"{count} byte{'s' if count > 1 else ''} {words}" in slip.message
            (run,) = report.tracks[0].runs
            assert (run.first_lba, run.count) == (sector, 1)


def test_not_more_than_so_many_slips_are_followed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(alignment, "MOST_SLIPS", 2)
    image = MODE_1
    for sector in (400, 300, 100):
        image = image[: sector * 2352 + 50] + image[sector * 2352 + 51 :]
    assert counts(audit(tmp_path, image)) == {"good": 398, "lost": 202}


def test_places_after_missing_bytes_are_those_in_the_file(tmp_path: Path) -> None:
    shifted = MODE_1[: 100 * 2352 + 50] + MODE_1[100 * 2352 + 57 :]
    damaged = spoil(shifted, 300 * 2352 - 7 + 100, 400)
    report = audit(tmp_path, damaged)
    assert [(run.first_lba, run.offset, run.size) for run in report.tracks[0].runs] == [
        (100, 100 * 2352, 2352),
        (300, 300 * 2352 - 7, 2352),
    ]


def test_bytes_missing_at_several_places_are_counted(tmp_path: Path) -> None:
    image = MODE_1
    for sector in (400, 300, 100):
        image = image[: sector * 2352 + 50] + image[sector * 2352 + 51 :]
    report = audit(tmp_path, image)
    assert counts(report) == {"good": SECTORS - 3, "lost": 3}
    (slip,) = (item for item in report.findings if item.rule == "sectors-in-step")
    assert "at 3 places" in slip.message


def test_a_track_with_missing_bytes_is_converted_in_its_length(tmp_path: Path) -> None:
    image = MODE_1[: 100 * 2352 + 50] + MODE_1[100 * 2352 + 51 :]
    disc = read_raw_disc(write_disc(tmp_path, image))
    output = tmp_path / "kiosk.iso"
    result = convert_track(disc, choose_track(disc), output, anyway=True, zero_lost=True)
    expected = DATA[: 100 * 2048] + bytes(2048) + DATA[101 * 2048 :]
    assert output.read_bytes() == expected
    assert result.size == len(expected)
    longer = MODE_1[: 100 * 2352 + 50] + b"x" + MODE_1[100 * 2352 + 50 :]
    disc = read_raw_disc(write_disc(tmp_path, longer))
    result = convert_track(
        disc, choose_track(disc), output, anyway=True, zero_lost=True, replace=True
    )
    assert output.read_bytes() == expected
    assert result.size == len(expected)


def test_a_sync_in_the_data_does_not_lead_astray(tmp_path: Path) -> None:
    """A raw sector kept as data, with the address that is looked for, beside a damaged sync."""
    decoy = MODE_1[50 * 2352 : 50 * 2352 + 16] + noise(2048 - 16, 3)
    data = DATA[: 50 * 2048] + decoy + DATA[51 * 2048 :]
    image = flip(mode_1_image(data), 50 * 2352 + 3)
    assert counts(audit(tmp_path, image)) == {"good": SECTORS - 1, "corrected": 1}


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
    assert rules(report) == ["track-mode"]
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


def test_disc_with_data_and_sound_in_one_file(tmp_path: Path) -> None:
    (tmp_path / "mixed.bin").write_bytes(MODE_1 + audio(150) + audio(300, 4))
    sheet = write_sheet(
        tmp_path,
        "mixed.cue",
        [
            "FILE mixed.bin BINARY",
            "TRACK 01 MODE1/2352",
            "INDEX 01 00:00:00",
            "TRACK 02 AUDIO",
            "INDEX 00 00:08:00",  # 600 frames
            "INDEX 01 00:10:00",
            "TRACK 03 AUDIO",
            "PREGAP 00:02:00",
            "INDEX 01 00:12:00",
        ],
    )
    disc = read_raw_disc(sheet)
    assert [(track.offset, track.size, track.first_lba) for track in disc.tracks] == [
        (0, 600 * 2352, 0),
        (750 * 2352, 150 * 2352, 750),
        (900 * 2352, 150 * 2352, 1050),  # the silence of 150 frames is not in the file
    ]
    report = audit_raw(sheet)
    assert counts(report) == {"good": 600, "unchecked": 300}
    assert [item.rule for item in report.findings] == ["track-audio", "track-audio"]


def test_disc_in_several_files(tmp_path: Path) -> None:
    (tmp_path / "one.bin").write_bytes(MODE_1)
    (tmp_path / "two.bin").write_bytes(form_1_image(DATA[: 100 * 2048], first_lba=SECTORS))
    lines = [
        'FILE "one.bin" BINARY',
        "TRACK 01 MODE1/2352",
        "INDEX 01 00:00:00",
        'FILE "two.bin" BINARY',
        "TRACK 02 MODE2/2352",
        "INDEX 01 00:00:00",
    ]
    report = audit_raw(write_sheet(tmp_path, "two.cue", lines))
    assert [track.first_lba for track in report.tracks] == [0, SECTORS]
    assert report.findings == ()
    # With a pregap between them the second track's own headers must say so.
    lines[5:5] = ["PREGAP 00:02:00"]
    report = audit_raw(write_sheet(tmp_path, "gap.cue", lines))
    assert counts(report) == {"good": SECTORS + 100}
    assert rules(report) == ["track-address"]
    assert (report.findings[0].found, report.findings[0].expected) == ("LBA 600", "LBA 750")


def test_stored_pregap_has_negative_block_numbers(tmp_path: Path) -> None:
    (tmp_path / "disc.bin").write_bytes(mode_1_image(bytes(150 * 2048) + DATA, first_lba=-150))
    sheet = write_sheet(
        tmp_path,
        "disc.cue",
        [
            "FILE disc.bin BINARY",
            "TRACK 01 MODE1/2352",
            "INDEX 00 00:00:00",
            "INDEX 01 00:02:00",
        ],
    )
    report = audit_raw(sheet)
    assert counts(report) == {"good": SECTORS}
    assert report.findings == ()
    assert report.tracks[0].track.offset == 150 * 2352


def test_sheet_that_forgets_the_subchannel(tmp_path: Path) -> None:
    stored = with_subchannel(MODE_1 + audio(100))
    (tmp_path / "disc.bin").write_bytes(stored)
    lines = ["FILE disc.bin BINARY", "TRACK 01 MODE1/2352", "INDEX 01 00:00:00"]
    lines += ["TRACK 02 AUDIO", "INDEX 01 00:08:00"]
    report = audit_raw(write_sheet(tmp_path, "disc.cue", lines))
    assert counts(report) == {"good": SECTORS, "unchecked": 100}
    assert rules(report) == ["sheet-sector-size", "track-audio"]
    (found,) = (item for item in report.findings if item.rule == "sheet-sector-size")
    assert (found.severity, found.where) == (Severity.WARNING, "disc.cue, line 2")
    assert (found.found, found.expected) == ("MODE1/2448", "MODE1/2352")
    assert [track.track.layout.size for track in report.tracks] == [2448, 2448]


def test_track_that_begins_past_the_end_of_the_file(tmp_path: Path) -> None:
    (tmp_path / "disc.bin").write_bytes(MODE_1)
    lines = ["FILE disc.bin BINARY", "TRACK 01 MODE1/2352", "INDEX 01 00:00:00"]
    lines += ["TRACK 02 AUDIO", "INDEX 01 01:00:00"]
    report = audit_raw(write_sheet(tmp_path, "disc.cue", lines))
    assert counts(report) == {"good": SECTORS}
    assert "track-beyond-file" in rules(report)


def test_sound_in_a_format_of_its_own(tmp_path: Path) -> None:
    (tmp_path / "disc.bin").write_bytes(MODE_1)
    (tmp_path / "horn.wav").write_bytes(b"RIFF" + bytes(1000))
    lines = ["FILE disc.bin BINARY", "TRACK 01 MODE1/2352", "INDEX 01 00:00:00"]
    lines += ["FILE horn.wav WAVE", "TRACK 02 AUDIO", "INDEX 01 00:00:00"]
    report = audit_raw(write_sheet(tmp_path, "disc.cue", lines))
    assert counts(report) == {"good": SECTORS}
    assert rules(report) == ["track-audio"]


def test_plain_track_has_nothing_to_check(tmp_path: Path) -> None:
    report = audit(tmp_path, DATA, "MODE1/2048")
    assert counts(report) == {"unchecked": SECTORS}
    assert rules(report) == ["track-without-checks"]


def test_scrambled_sectors_are_named(tmp_path: Path) -> None:
    path = tmp_path / "disc.bin"
    sectors = (MODE_1[start : start + 2352] for start in range(0, 20 * 2352, 2352))
    path.write_bytes(b"".join(map(scramble, sectors)))
    report = audit_raw(path)
    assert report.tracks == ()
    assert rules(report) == ["sectors-scrambled"]
    report = audit_raw(write_disc(tmp_path, path.read_bytes()))
    assert "sectors-scrambled" in rules(report)
    assert read_raw_disc(write_disc(tmp_path, MODE_1)).findings == ()
    (finding,) = read_disc(BytesView(path.read_bytes() + bytes(34_816))).findings
    assert (finding.rule, "scrambled" in finding.message) == ("no-volume", True)


@pytest.mark.parametrize("content", [b"", b"x", bytes(10_000), audio(20)])
def test_file_without_sectors_of_data(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "disc.bin"
    path.write_bytes(content)
    report = audit_raw(path)
    assert report.tracks == ()
    assert rules(report) == ["no-data-sectors"]


def test_empty_file_of_a_sheet(tmp_path: Path) -> None:
    report = audit(tmp_path, b"")
    assert rules(report) == ["track-beyond-file"]


def descriptor(blocks: int) -> bytes:
    return b"\x01CD001\x01".ljust(80, b"\0") + blocks.to_bytes(4, "little") + bytes(1964)


def test_lost_sectors_after_the_volume_are_no_error(tmp_path: Path) -> None:
    data = bytes(16 * 2048) + descriptor(40) + DATA[17 * 2048 : 42 * 2048]
    image = mode_1_image(data)
    run_out = image[: 40 * 2352] + bytes(2 * 2352)
    assert rules(audit(tmp_path, run_out)) == ["sector-lost-after-volume"]
    inside = image[: 39 * 2352] + bytes(3 * 2352)
    assert rules(audit(tmp_path, inside)) == ["sector-lost"]


def test_volume_end_is_unknown_beside_udf() -> None:
    data = bytes(16 * 2048) + descriptor(40)
    assert find_volume_end(data) == 40
    udf = b"\0NSR02\x01".ljust(2048, b"\0")
    assert find_volume_end(data + bytes(2048) + udf) is None
    assert find_volume_end(b"") is None


def test_volume_end_is_read_from_all_four_bytes() -> None:
    """ECMA-119 8.4.8, volume space size: bytes 81 to 88, both byte orders (7.3.3)."""
    both = (0x01020304).to_bytes(4, "little") + (0x01020304).to_bytes(4, "big")
    descriptor = b"\x01CD001\x01".ljust(80, b"\0") + both
    assert find_volume_end(bytes(16 * 2048) + descriptor.ljust(2048, b"\0")) == 0x01020304


@pytest.mark.parametrize(("count", "more"), [(5, ""), (6, " and 1 more")])
def test_names_that_are_there_are_shown_up_to_five(tmp_path: Path, count: int, more: str) -> None:
    for number in range(count):
        (tmp_path / f"a{number}").touch()
    (tmp_path / "a0").rename(tmp_path / "a0.cue")  # the sheet is one of them
    sheet = tmp_path / "a0.cue"
    sheet.write_text('FILE "gone.bin" BINARY\n TRACK 01 MODE1/2352\n  INDEX 01 00:00:00\n')
    with pytest.raises(InputError) as caught:
        read_raw_disc(sheet)
    assert str(caught.value).endswith(f"'a4'{more}")


def test_a_sheet_is_read_up_to_its_longest_size(tmp_path: Path) -> None:
    sheet = write_disc(tmp_path, MODE_1)
    text = sheet.read_bytes()
    sheet.write_bytes(text.ljust(LONGEST_SHEET, b"\n"))
    assert len(read_raw_disc(sheet).tracks) == 1
    with sheet.open("r+b") as file:
        file.truncate(1 << 40)  # sparse: read whole it would fill the memory
    with pytest.raises(FormatError) as caught:
        read_raw_disc(sheet)
    assert caught.value.found == LONGEST_SHEET + 1


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


# The sheet's file names


def sheet_naming(folder: Path, name: str) -> Path:
    return write_sheet(
        folder, "s.cue", [f'FILE "{name}" BINARY', "TRACK 01 MODE1/2352", "INDEX 01 00:00:00"]
    )


@pytest.mark.parametrize(
    ("written", "stored"),
    [
        ("Kiosk.BIN", "kiosk.bin"),
        ("./kiosk.bin", "kiosk.bin"),
        ("raw\\kiosk.bin", "raw/kiosk.bin"),
        ("RAW/Kiosk.bin", "raw/kiosk.bin"),
        ("Su\u0308d.bin", "S\u00fcd.bin"),
    ],
)
def test_file_is_found_as_people_write_it(tmp_path: Path, written: str, stored: str) -> None:
    (tmp_path / stored).parent.mkdir(exist_ok=True)
    (tmp_path / stored).write_bytes(MODE_1[:2352])
    disc = read_raw_disc(sheet_naming(tmp_path, written))
    assert disc.tracks[0].path == tmp_path / stored


@pytest.mark.parametrize(
    "name",
    [
        "../kiosk.bin",
        "..\\kiosk.bin",
        "raw/../../kiosk.bin",
        "C:\\discs\\..",
        "C:\\",
        "C:",
        "..",
        ".",
        "/",
    ],
)
def test_name_that_leaves_the_folder_is_refused(tmp_path: Path, name: str) -> None:
    folder = tmp_path / "sheets"
    (folder / "raw").mkdir(parents=True)
    for place in (tmp_path, folder):
        (place / "kiosk.bin").write_bytes(MODE_1[:2352])
    with pytest.raises(FormatError, match="beside the sheet") as caught:
        read_raw_disc(sheet_naming(folder, name))
    assert caught.value.at == f"{folder / 's.cue'}: line 1, column 6"


@pytest.mark.parametrize(
    "name",
    [
        "C:\\discs\\KIOSK.BIN",
        "d:/discs/kiosk.bin",
        "c:kiosk.bin",
        "\\kiosk.bin",
        "\\\\server\\discs\\kiosk.bin",
        "/home/harbour/discs/kiosk.bin",
    ],
)
def test_path_from_a_root_is_the_file_beside_the_sheet(tmp_path: Path, name: str) -> None:
    (tmp_path / "kiosk.bin").write_bytes(MODE_1)
    disc = read_raw_disc(sheet_naming(tmp_path, name))
    assert disc.tracks[0].path == tmp_path / "kiosk.bin"
    (note,) = disc.findings
    assert (note.rule, note.severity) == ("sheet-names-folder", Severity.NOTE)
    assert note.where == "s.cue, line 1"
    assert note.message == f"the sheet names {name}; kiosk.bin beside the sheet was read"


def test_path_from_a_root_without_its_file_beside_the_sheet(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"line 1, column 6: there is no 'kiosk\.bin'"):
        read_raw_disc(sheet_naming(tmp_path, "C:\\discs\\kiosk.bin"))
    with pytest.raises(InputError, match=r"line 1, column 6: there is no 'hostname'"):
        read_raw_disc(sheet_naming(tmp_path, "/etc/hostname"))


def test_link_that_leaves_the_folder_is_refused(tmp_path: Path) -> None:
    folder = tmp_path / "sheets"
    folder.mkdir()
    (tmp_path / "kiosk.bin").write_bytes(MODE_1[:2352])
    (folder / "kiosk.bin").symlink_to(tmp_path / "kiosk.bin")
    with pytest.raises(FormatError, match="beside the sheet"):
        read_raw_disc(sheet_naming(folder, "kiosk.bin"))


def test_missing_file_is_named_with_what_is_there(tmp_path: Path) -> None:
    (tmp_path / "other.bin").touch()
    with pytest.raises(InputError, match=r"line 1, column 6: there is no 'kiosk\.bin'.*other\.bin"):
        read_raw_disc(sheet_naming(tmp_path, "kiosk.bin"))


def test_two_files_that_differ_in_case(tmp_path: Path) -> None:
    for name in ("kiosk.bin", "KIOSK.bin"):
        (tmp_path / name).write_bytes(MODE_1[:2352])
    if len(list(tmp_path.iterdir())) < 2:
        pytest.skip("the file system does not tell case apart")
    assert read_raw_disc(sheet_naming(tmp_path, "KIOSK.bin")).tracks[0].path.name == "KIOSK.bin"
    with pytest.raises(InputError, match="may be any of"):
        read_raw_disc(sheet_naming(tmp_path, "Kiosk.bin"))


@pytest.mark.parametrize("name", ["folder", "fifo", "missing", "folder.cue", "missing.cue", "a\0b"])
def test_what_is_no_file_is_an_input_error(tmp_path: Path, name: str) -> None:
    (tmp_path / "folder").mkdir()
    (tmp_path / "folder.cue").mkdir()
    os.mkfifo(tmp_path / "fifo")
    with pytest.raises(InputError):
        audit_raw(tmp_path / name)


def test_sheet_that_names_itself_a_fifo_or_a_folder(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "fifo")
    (tmp_path / "folder").mkdir()
    for name in ("fifo", "folder"):
        with pytest.raises(InputError, match="not a regular file"):
            read_raw_disc(sheet_naming(tmp_path, name))


def test_sheet_error_names_the_sheet_and_the_place(tmp_path: Path) -> None:
    sheet = write_sheet(tmp_path, "bad.cue", ["FILE x BINARY", "TRACK 01 MODE9/2352"])
    with pytest.raises(FormatError) as caught:
        audit_raw(sheet)
    assert caught.value.at == f"{sheet}: line 2, column 10"


def test_file_that_shrinks_is_an_input_error(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "disc.bin"
    path.write_bytes(MODE_1)
    (track,) = read_raw_disc(path).tracks
    batches = iter_batches(track, 0)
    next(batches)
    os.truncate(path, 5000)
    with pytest.raises(InputError, match="shorter"):
        list(batches)
