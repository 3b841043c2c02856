"""Scales of maps: even steps, few labels, none on top of another."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from mediashelf.reports.scale import nice_ticks

MIB = 1 << 20


def test_ticks_stand_where_their_labels_say() -> None:
    ticks = nice_ticks(8 * MIB)
    assert [(tick.at, tick.label) for tick in ticks] == [
        (0.0, "0"),
        (25.0, "2 MiB"),
        (50.0, "4 MiB"),
        (75.0, "6 MiB"),
        (100.0, "8 MiB"),
    ]


@pytest.mark.parametrize(
    ("total", "last"),
    [
        (1, "1 byte"),
        (1500, "1,500 bytes"),
        (2048, "2 KiB"),
        (737_280_000, "703 MiB"),
        (5 << 40, "5 TiB"),
    ],
)
def test_the_last_tick_is_the_end(total: int, last: str) -> None:
    tick = nice_ticks(total)[-1]
    assert (tick.at, tick.label) == (100.0, last)


@settings(derandomize=True, deadline=None)
@given(st.integers(1, 1 << 63))
def test_labels_have_room_on_a_phone(total: int) -> None:
    places = [tick.at for tick in nice_ticks(total)]
    assert 2 <= len(places) <= 6
    assert places[0] == 0
    assert places[-1] == 100
    assert all(later - earlier >= 20 for earlier, later in pairwise(places))
