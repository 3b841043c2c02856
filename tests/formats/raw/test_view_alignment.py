"""The view of raw sectors after missing or surplus bytes: they cost the sector they were in.

Own behaviour; what belongs where is known, as the tests take the bytes out themselves.
"""

from __future__ import annotations

import random

import pytest

from byte_views import BytesView
from make_raw import flip, form_1_image, mode_1_image, noise, with_subchannel
from mediashelf.formats.raw.sectors import LAYOUTS
from mediashelf.formats.raw.view import RawView

COUNT = 40
DATA = noise(COUNT * 2048, seed=3)
IMAGES = {
    "MODE1/2352": mode_1_image(DATA),
    "MODE2/2352": form_1_image(DATA),
    "MODE1/2448": with_subchannel(mode_1_image(DATA)),
}


def sector(data: bytes, index: int) -> bytes:
    return data[index * 2048 : (index + 1) * 2048]


def wrong(view: RawView) -> list[int]:
    """The sectors that do not read as they were written, read in any order and at once."""
    order = list(range(COUNT))
    random.Random(1).shuffle(order)
    single = {index for index in order if view.read(index * 2048, 2048) != sector(DATA, index)}
    whole = view.read(0, view.size)
    assert {index for index in order if sector(whole, index) != sector(DATA, index)} == single
    return sorted(single)


@pytest.mark.parametrize("name", IMAGES)
@pytest.mark.parametrize("change", [-1000, -300, -1, 1, 700, 2000])
def test_one_slip_costs_one_sector(name: str, change: int) -> None:
    stored, pitch = IMAGES[name], LAYOUTS[name].size
    at = 17 * pitch + 1100
    slipped = stored[:at] + (bytes(change) if change > 0 else b"") + stored[at + max(-change, 0) :]
    view = RawView(BytesView(slipped), LAYOUTS[name])
    assert view.size == len(DATA)
    assert wrong(view) == [17]
    assert view.read(len(DATA) - 10, 100) == DATA[-10:]


@pytest.mark.parametrize("part", [3, 20, 38])
def test_many_slips_that_add_up_to_more_than_a_sector(part: int) -> None:
    stored = bytearray(IMAGES["MODE1/2352"])
    slips = [30, 25, 18, 9, 4]
    for index in slips:
        del stored[index * 2352 + 500 : index * 2352 + 1200]
    view = RawView(BytesView(bytes(stored)), LAYOUTS["MODE1/2352"])
    assert view.size == len(DATA)
    assert view.read(part * 2048, 2048) == sector(DATA, part)
    assert wrong(view) == sorted(slips)


def test_damaged_sync_is_no_slip() -> None:
    stored = flip(IMAGES["MODE1/2352"], 5 * 2352 + 3, 6 * 2352 + 1, 39 * 2352)
    assert wrong(RawView(BytesView(stored), LAYOUTS["MODE1/2352"])) == []


def test_last_sector_that_is_cut_after_a_slip() -> None:
    stored = IMAGES["MODE1/2352"]
    slipped = stored[: 3 * 2352 + 100] + stored[3 * 2352 + 101 : -1000]
    view = RawView(BytesView(slipped), LAYOUTS["MODE1/2352"])
    assert view.size == len(DATA) - (1000 - 288)
    assert view.read(38 * 2048, 1 << 20) == DATA[38 * 2048 : view.size]


def test_bytes_after_the_last_sector_are_no_slip() -> None:
    stored = IMAGES["MODE1/2352"]
    view = RawView(BytesView(stored + b"x" * 700), LAYOUTS["MODE1/2352"])
    assert view.read(0, len(DATA)) == DATA
    assert view.size == len(DATA) + 700 - 16
