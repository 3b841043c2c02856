"""A raw sector from damaged copies: what comes out is the sector as it was, or nothing.

Own behaviour; the sectors are made by the layout that test_sectors.py holds against its sources.
"""

from __future__ import annotations

import random

import pytest

from make_raw import encode_form_1, encode_form_2, noise
from mediashelf.formats.raw import combining
from mediashelf.formats.raw.combining import combine_sector
from mediashelf.formats.raw.sectors import encode_mode_1, header_of

LBA = 1234
MODE_1 = encode_mode_1(noise(2048), LBA)
FORM_1 = encode_form_1(noise(2048), LBA)
FORM_2 = encode_form_2(noise(2324), LBA)
KINDS = {"mode 1": (MODE_1, 1), "form 1": (FORM_1, 2), "form 2": (FORM_2, 2)}


def spoilt(sector: bytes, *places: tuple[int, int], seed: int = 1) -> bytes:
    """Every byte of some runs (start, size) changed."""
    dice = random.Random(seed)
    changed = bytearray(sector)
    for start, size in places:
        for at in range(start, start + size):
            changed[at] ^= dice.randrange(1, 256)
    return bytes(changed)


@pytest.mark.parametrize("kind", KINDS)
def test_each_copy_is_right_where_another_is_damaged(kind: str) -> None:
    sector, mode = KINDS[kind]
    copies = [
        spoilt(sector, (40, 500), (1500, 300)),
        spoilt(sector, (700, 600), (1900, 60)),
    ]
    assert combine_sector(copies, header_of(LBA, mode)) == sector
    assert combine_sector(copies[::-1], header_of(LBA, mode)) == sector


def test_three_copies_and_many_runs() -> None:
    starts = random.Random(4).sample(range(20, 2060, 40), 9)
    copies = [
        spoilt(MODE_1, *((start, 20) for start in starts[part::3]), seed=part) for part in range(3)
    ]
    assert combine_sector(copies, header_of(LBA, 1)) == MODE_1


def test_sync_header_and_parity_are_computed() -> None:
    copies = [spoilt(MODE_1, (0, 16), (100, 300)), spoilt(MODE_1, (0, 16), (900, 300), (2100, 90))]
    assert combine_sector(copies, header_of(LBA, 1)) == MODE_1


@pytest.mark.parametrize(
    "copies",
    [
        [spoilt(MODE_1, (100, 300), seed=1), spoilt(MODE_1, (100, 300), seed=2)],
        [spoilt(MODE_1, (100, 300)), spoilt(MODE_1, (100, 300))],
        [spoilt(MODE_1, (100, 300))],
        [spoilt(MODE_1, (100, 300), (500, 9)), spoilt(MODE_1, (300, 300))],
        [MODE_1[:16] + bytes(2336), MODE_1[:16] + b"\xff" * 2336],
        [],
    ],
    ids=["one place", "the same", "one copy", "overlap", "blank", "none"],
)
def test_nothing_comes_of_copies_without_the_right_bytes(copies: list[bytes]) -> None:
    assert combine_sector(copies, header_of(LBA, 1)) is None


def test_edc_without_parity_to_bear_it_out_proves_nothing() -> None:
    copies = [
        spoilt(MODE_1, (40, 500), (2076, 276), seed=1),
        spoilt(MODE_1, (700, 600), (2076, 276), seed=2),
    ]
    assert combine_sector(copies, header_of(LBA, 1)) is None


def test_sector_of_another_place_is_not_put_together() -> None:
    copies = [spoilt(MODE_1, (40, 500)), spoilt(MODE_1, (700, 600))]
    assert combine_sector(copies, header_of(LBA + 1, 1)) is None


def test_choices_are_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    starts = range(20, 2060, 60)
    copies = [spoilt(MODE_1, *((start, 20) for start in starts[part::2])) for part in range(2)]
    assert len(starts) > 16
    assert combine_sector(copies, header_of(LBA, 1)) is None
    monkeypatch.setattr(combining, "MOST_CHOICES", 1 << 40)
    few = [spoilt(MODE_1, *((start, 20) for start in starts[part:12:2])) for part in range(2)]
    assert combine_sector(few, header_of(LBA, 1)) == MODE_1
