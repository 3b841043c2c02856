"""Raw discs of several tracks and files: where each begins, and what in it can be checked."""

from __future__ import annotations

from pathlib import Path

import pytest

from byte_views import BytesView
from make_raw import audio, form_1_image, mode_1_image, with_subchannel, write_disc, write_sheet
from mediashelf.findings import Severity
from mediashelf.formats.disc import read_disc
from mediashelf.formats.raw.layout import scramble
from mediashelf.integrity.raw.auditing import audit_raw, find_volume_end
from mediashelf.integrity.raw.convert import choose_track, convert_track
from mediashelf.integrity.raw.tracks import read_raw_disc
from raw_layouts import DATA, MODE_1, SECTORS, audit, counts, rules


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
    assert [(one.rule, one.severity) for one in report.findings] == [
        ("track-address", Severity.WARNING)
    ]
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
    assert {one.severity for one in report.findings if one.rule == "track-beyond-file"} == {
        Severity.ERROR
    }


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


def test_a_plain_track_is_converted_with_the_note_that_nothing_proves_it(tmp_path: Path) -> None:
    disc = read_raw_disc(write_disc(tmp_path, DATA, "MODE1/2048"))
    output = tmp_path / "kiosk.iso"
    result = convert_track(disc, choose_track(disc), output)
    assert output.read_bytes() == DATA
    found = [(one.rule, one.severity) for one in result.findings]
    assert ("track-without-checks", Severity.NOTE) in found


def test_scrambled_sectors_are_named(tmp_path: Path) -> None:
    path = tmp_path / "disc.bin"
    sectors = (MODE_1[start : start + 2352] for start in range(0, 20 * 2352, 2352))
    path.write_bytes(b"".join(map(scramble, sectors)))
    report = audit_raw(path)
    assert report.tracks == ()
    assert [(one.rule, one.severity) for one in report.findings] == [
        ("sectors-scrambled", Severity.ERROR)
    ]
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
    assert [(one.rule, one.severity) for one in report.findings] == [
        ("no-data-sectors", Severity.ERROR)
    ]


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
