"""The user data of a raw track as a view: the bytes that a conversion writes, at any place.

Own behaviour: both ways have to give the same bytes.
"""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from make_raw import (
    flip,
    form_1_image,
    mode_1_image,
    noise,
    spoil,
    with_subchannel,
    without_headers,
)
from mediashelf.formats.raw.sectors import LAYOUTS
from mediashelf.integrity.raw.convert import read_converted
from mediashelf.integrity.raw.tracks import RawTrack, read_raw_disc
from mediashelf.integrity.raw.view import TrackView

DATA = noise(60 * 2048, seed=11)
PITCH = 2352


def track_of(path: Path, raw: bytes, layout: str) -> RawTrack:
    path.write_bytes(raw)
    return RawTrack(1, LAYOUTS[layout], path, 0, len(raw))


def converted(track: RawTrack) -> bytes:
    pieces: list[bytes] = []
    read_converted(track, pieces.append)
    return b"".join(pieces)


@pytest.mark.parametrize(
    ("layout", "raw"),
    [
        ("MODE1/2352", mode_1_image(DATA)),
        ("MODE1/2448", with_subchannel(mode_1_image(DATA))),
        ("MODE2/2352", form_1_image(DATA)),
        ("MODE2/2336", without_headers(form_1_image(DATA))),
        ("MODE1/2048", DATA),
        ("MODE1/2352", mode_1_image(DATA)[:-700]),  # the last sector is cut short
        ("MODE1/2352", mode_1_image(DATA)[:50_000] + mode_1_image(DATA)[50_001:]),
    ],
)
def test_any_part_reads_as_a_conversion_writes_it(tmp_path: Path, layout: str, raw: bytes) -> None:
    track = track_of(tmp_path / "a.bin", raw, layout)
    whole = converted(track)
    view = TrackView(track)
    assert view.size == len(whole)
    assert view.read(0, view.size) == whole
    chance = random.Random(5)
    for _ in range(40):
        start, size = chance.randrange(len(whole)), chance.randrange(1, 9000)
        assert view.read(start, size) == whole[start : start + size]
    assert view.read(view.size, 10) == view.read(-1, 10) == view.read(0, 0) == b""


def test_damage_is_put_right_where_parity_allows(tmp_path: Path) -> None:
    sound = mode_1_image(DATA)
    scratched = flip(sound, *(20 * PITCH + place for place in (16, 400, 900, 2000)))
    view = TrackView(track_of(tmp_path / "scratched.bin", scratched, "MODE1/2352"))
    assert view.read(0, len(DATA)) == DATA
    lost = spoil(sound, 30 * PITCH + 16, 1500)
    view = TrackView(track_of(tmp_path / "lost.bin", lost, "MODE1/2352"))
    assert view.read(0, 30 * 2048) == DATA[: 30 * 2048]
    assert view.read(30 * 2048, 2048) == lost[30 * PITCH + 16 : 30 * PITCH + 16 + 2048]


def test_the_track_of_a_sheet_starts_where_the_sheet_says(tmp_path: Path) -> None:
    (tmp_path / "mixed.bin").write_bytes(mode_1_image(noise(20 * 2048)) + mode_1_image(DATA))
    (tmp_path / "mixed.cue").write_text(
        'FILE "mixed.bin" BINARY\n  TRACK 01 MODE1/2352\n    INDEX 01 00:00:00\n'
        "  TRACK 02 MODE1/2352\n    INDEX 01 00:00:20\n"
    )
    _, second = read_raw_disc(tmp_path / "mixed.cue").tracks
    assert TrackView(second).read(0, len(DATA)) == DATA
