"""Cue sheets: what they say, and the exact place of everything they should not say."""

from __future__ import annotations

import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from mediashelf.errors import FormatError
from mediashelf.formats.raw.cue import CueFile, CueSheet, CueTrack, parse_cue
from mediashelf.formats.raw.cue_words import LONGEST_SHEET, decode_cue, frames_text
from mediashelf.formats.raw.sectors import LAYOUTS

# The form of the libcdio manual's "BIN/CUE Grammar", with every command it has.
GOLDEN = """\
REM Tide tables for the kiosk; "quotes here mean nothing
CATALOG 0000012101954
FILE "kiosk disc.bin" BINARY
  TRACK 01 MODE1/2352
    FLAGS DCP
    INDEX 01 00:00:00
  TRACK 02 AUDIO
    TITLE "Fog horn"
    FLAGS DCP 4CH
    PREGAP 00:02:00
    INDEX 00 10:00:00
    INDEX 01 10:01:74
    INDEX 02 10:30:00
    POSTGAP 00:00:50
FILE second.bin BINARY
  TRACK 03 MODE2/2336
    INDEX 01 00:00:00
"""


def test_golden_sheet() -> None:
    assert parse_cue(GOLDEN) == CueSheet(
        (
            CueFile(
                "kiosk disc.bin",
                "BINARY",
                3,
                6,
                (
                    CueTrack(1, LAYOUTS["MODE1/2352"], 4, {1: 0}, flags=("DCP",)),
                    CueTrack(
                        2,
                        LAYOUTS["AUDIO"],
                        7,
                        {0: 45_000, 1: 45_149, 2: 47_250},
                        pregap=150,
                        postgap=50,
                        flags=("DCP", "4CH"),
                    ),
                ),
            ),
            CueFile(
                "second.bin",
                "BINARY",
                15,
                6,
                (CueTrack(3, LAYOUTS["MODE2/2336"], 16, {1: 0}),),
            ),
        ),
        catalog="0000012101954",
    )


def test_first_and_start_of_a_track() -> None:
    _, second = parse_cue(GOLDEN).files[0].tracks
    assert (second.first, second.start) == (45_000, 45_149)


@pytest.mark.parametrize("end", ["\x1a", "\0\0", "\r\n\x1a\0\0", "\n\x1a"])
def test_what_editors_of_dos_leave_at_the_end(end: str) -> None:
    """A mark of the text's end, and zeros to fill a block."""
    assert parse_cue(GOLDEN + end) == parse_cue(GOLDEN)


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_line_ends(end: str) -> None:
    assert parse_cue(GOLDEN.replace("\n", end)) == parse_cue(GOLDEN)


@pytest.mark.parametrize(
    ("text", "frames"),
    [("0:2:0", 150), ("0:02:00", 150), ("1:2:3", 4653), ("00:2:05", 155), ("9:59:74", 44_999)],
)
def test_time_without_leading_zeros(text: str, frames: int) -> None:
    sheet = parse_cue(f"FILE x BINARY\nTRACK 1 AUDIO\nPREGAP {text}\nINDEX 1 {text}")
    assert sheet.files[0].tracks[0].start == frames
    assert sheet.files[0].tracks[0].pregap == frames


def test_commands_are_read_in_any_case_and_tabs_separate() -> None:
    loose = GOLDEN.replace("  ", "\t").replace("BINARY", "binary").replace("TRACK", "Track")
    assert parse_cue(loose).files == parse_cue(GOLDEN).files


@pytest.mark.parametrize("name", ["my disc.bin", "a  b c.bin", "'my' disc.bin", "x.bin"])
def test_a_name_with_blanks_may_lack_its_quotes(name: str) -> None:
    """Common practice: the last word of the line is the type, all before it the name."""
    (file,) = parse_cue(f"FILE {name} \t BINARY \nTRACK 01 AUDIO\nINDEX 01 0:0:0").files
    assert (file.name, file.kind, file.line, file.column) == (name, "BINARY", 1, 6)


@pytest.mark.parametrize("name", sorted(LAYOUTS))
def test_every_track_type(name: str) -> None:
    sheet = parse_cue(f"FILE x BINARY\nTRACK 1 {name.lower()}\nINDEX 1 00:00:00")
    assert sheet.files[0].tracks[0].layout is LAYOUTS[name]


HEAD = 'FILE "a.bin" BINARY\n'
TRACK = "  TRACK 01 MODE1/2352\n"
INDEX = "    INDEX 01 00:00:00\n"


@pytest.mark.parametrize(
    ("text", "place", "message"),
    [
        ("", "line 1, column 1", "a FILE and a TRACK"),
        ("REM nothing\n\n", "line 1, column 1", "a FILE and a TRACK"),
        ("\nFIEL a.bin BINARY", "line 2, column 1", "did you mean 'file'"),
        ("  \x00 x", "line 1, column 3", "one of FILE"),
        # FILE
        ("FILE", "line 1, column 5", 'FILE "NAME" TYPE'),
        ('FILE "a.bin"', "line 1, column 13", 'FILE "NAME" TYPE'),
        ("FILE my disc.bin", "line 1, column 9", "one of BINARY"),
        ("FILE my big disc.bin", "line 1, column 13", "one of BINARY"),
        ('FILE "a.bin BINARY', "line 1, column 6", "a closing quote"),
        ('FILE "a.bin"BINARY', "line 1, column 6", "a closing quote"),
        ('FILE "" BINARY', "line 1, column 6", "without control characters"),
        ('FILE "a\x1b.bin" BINARY', "line 1, column 6", "without control characters"),
        ("FILE a.bin TEXT", "line 1, column 12", "one of BINARY"),
        (HEAD, "line 1, column 6", "a TRACK before"),
        (HEAD + HEAD, "line 1, column 6", "a TRACK before"),
        # TRACK
        ("TRACK 01 AUDIO", "line 1, column 7", "a FILE before it"),
        (HEAD + "  TRACK 01", "line 2, column 11", "TRACK NN TYPE"),
        (HEAD + "  TRACK 00 AUDIO", "line 2, column 9", "a number from 01 to 99"),
        (HEAD + "  TRACK 100 AUDIO", "line 2, column 9", "a number from 01 to 99"),
        (HEAD + "  TRACK 1a AUDIO", "line 2, column 9", "a number from 01 to 99"),
        (HEAD + "  TRACK \u0661 AUDIO", "line 2, column 9", "a number from 01 to 99"),
        (HEAD + "  TRACK 01 MODE1/2353", "line 2, column 12", "MODE1/2352"),
        (HEAD + TRACK, "line 2, column 9", "an INDEX 01"),
        (HEAD + TRACK + TRACK, "line 2, column 9", "an INDEX 01"),
        (HEAD + TRACK + INDEX + TRACK, "line 4, column 9", "02, as it follows 01"),
        (HEAD + TRACK + INDEX + HEAD + "TRACK 03 AUDIO", "line 5, column 7", "02, as it follows"),
        ("FILE a.wav WAVE\n" + TRACK, "line 2, column 12", "AUDIO in a file of type WAVE"),
        # INDEX
        (HEAD + "INDEX 01 00:00:00", "line 2, column 7", "a TRACK before it"),
        (HEAD + TRACK + "INDEX 02 00:00:00", "line 3, column 7", "00 or 01"),
        (HEAD + TRACK + INDEX + INDEX, "line 4, column 11", "02, as it follows"),
        (HEAD + TRACK + "INDEX 01 00:00", "line 3, column 10", "MM:SS:FF"),
        (HEAD + TRACK + "INDEX 01 000:00:00", "line 3, column 10", "MM:SS:FF"),
        (HEAD + TRACK + "INDEX 01 0::00", "line 3, column 10", "MM:SS:FF"),
        (HEAD + TRACK + "INDEX 01 0:0:75", "line 3, column 10", "frames up to 74"),
        (HEAD + TRACK + "INDEX 01 00:00:-1", "line 3, column 10", "MM:SS:FF"),
        (HEAD + TRACK + "INDEX 01 00:60:00", "line 3, column 10", "seconds up to 59"),
        (HEAD + TRACK + "INDEX 01 00:00:75", "line 3, column 10", "frames up to 74"),
        (
            HEAD + TRACK + "INDEX 00 00:02:00\nINDEX 01 00:01:74",
            "line 4, column 10",
            "00:02:00 or later",
        ),
        (
            HEAD + TRACK + INDEX + "TRACK 02 AUDIO\nINDEX 01 00:00:00",
            "line 5, column 10",
            "later than 00:00:00",
        ),
        # the rest
        (HEAD + TRACK + INDEX + "PREGAP 00:02:00", "line 4, column 8", "before the track's first"),
        (HEAD + TRACK + "POSTGAP 00:02:00", "line 3, column 9", "after its INDEX 01"),
        (
            HEAD + TRACK + "PREGAP 00:02:00\nPREGAP 00:02:00",
            "line 4, column 8",
            "one in a track",
        ),
        (HEAD + TRACK + "FLAGS", "line 3, column 6", "FLAGS FLAG"),
        (HEAD + TRACK + "FLAGS DCP LOUD", "line 3, column 11", "one of DCP"),
        (HEAD + TRACK + "FLAGS DCP\nFLAGS PRE", "line 4, column 7", "one in a track"),
        (HEAD + TRACK + INDEX + "FLAGS DCP", "line 4, column 7", "before the track's first"),
        ("CATALOG 123", "line 1, column 9", "13 digits"),
        ("CATALOG 00000121019x4", "line 1, column 9", "13 digits"),
        ("CATALOG 0000012101954\n" * 2, "line 2, column 9", "one in a sheet"),
        ("CATALOG 0000012101954 2", "line 1, column 23", "CATALOG NUMBER"),
        (HEAD + TRACK + "    INDEX 01 00:00:00 x", "line 3, column 23", "INDEX NN MM:SS:FF"),
    ],
)
def test_malformed_sheet(text: str, place: str, message: str) -> None:
    with pytest.raises(FormatError) as caught:
        parse_cue(text)
    assert caught.value.at == place
    assert message in str(caught.value)


@pytest.mark.parametrize(
    ("data", "text"),
    [
        (b"REM plain", "REM plain"),
        ("REM Hafenmuseum Süd".encode(), "REM Hafenmuseum Süd"),
        ("REM Süd".encode("latin-1"), "REM Süd"),
        (b"\xef\xbb\xbfREM S\xc3\xbcd", "REM Süd"),
        ("REM Süd".encode("utf-16"), "REM Süd"),
        (b"\xfe\xff" + "REM Süd".encode("utf-16-be"), "REM Süd"),
        (b"", ""),
    ],
)
def test_encoding_is_decided(data: bytes, text: str) -> None:
    assert decode_cue(data) == text


@pytest.mark.parametrize("data", [b"\xef\xbb\xbf\xff", b"\xff\xfea", b"\xff\xfe\x00\xdc"])
def test_text_that_belies_its_mark(data: bytes) -> None:
    with pytest.raises(FormatError, match="expected utf"):
        decode_cue(data)


def test_sheet_is_never_longer_than_any_sheet_can_be() -> None:
    assert decode_cue(b" " * LONGEST_SHEET) == " " * LONGEST_SHEET
    with pytest.raises(FormatError, match="at most"):
        decode_cue(b" " * (LONGEST_SHEET + 1))


def test_mutated_sheets_are_read_or_refused_with_a_place() -> None:
    source = random.Random(2352)
    pieces = [*GOLDEN.split(), '"', "\n", "\r", " ", "\t", "\0", "\x85", "\u2028", "99", "00:00:00"]
    outcomes = {True: 0, False: 0}
    for _ in range(3000):
        text = GOLDEN
        for _ in range(source.randrange(1, 5)):
            start = source.randrange(len(text))
            end = min(len(text), start + source.randrange(12))
            change = source.choice(["", source.choice(pieces), text[start:end] * 2])
            text = text[:start] + change + text[end:]
        try:
            sheet = parse_cue(decode_cue(text.encode("utf-8")))
        except FormatError as error:
            outcomes[False] += 1
            assert str(error.at).startswith("line "), text
        else:
            outcomes[True] += 1
            assert all(1 in track.indexes for file in sheet.files for track in file.tracks)
    assert min(outcomes.values()) > 100


@settings(derandomize=True, deadline=None, max_examples=300)
@given(st.binary(max_size=200))
def test_any_bytes_are_read_or_refused(data: bytes) -> None:
    try:
        parse_cue(decode_cue(data))
    except FormatError:
        return


@settings(derandomize=True, deadline=None)
@given(st.integers(0, 449_999))
def test_time_is_written_as_it_is_read(frames: int) -> None:
    text = f"FILE x BINARY\nTRACK 01 AUDIO\nINDEX 01 {frames_text(frames)}"
    assert parse_cue(text).files[0].tracks[0].start == frames
