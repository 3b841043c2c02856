"""Combinations of sectors: what is found, in how many tries, and when the search stops.

The size is that of real blocks: 512 sectors, with damage in runs as scratched discs
and worn cards have it.

Own behaviour.
"""

from __future__ import annotations

import random
from collections.abc import Iterable, Sequence
from itertools import pairwise, product

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from mediashelf.integrity.mending.search import Combination, combine
from mediashelf.integrity.mending.values import Piece

SECTOR = 2048
BLOCK = random.Random(3).randbytes(512 * SECTOR)


def piece(wrong: Iterable[int], by: int, missing: Iterable[int] = ()) -> Piece:
    data = bytearray(BLOCK)
    for sector in wrong:
        data[sector * SECTOR] ^= by
    for sector in missing:
        data[sector * SECTOR : (sector + 1) * SECTOR] = bytes(SECTOR)
    return Piece(bytes(data), frozenset(missing))


def search(*pieces: Piece, limit: int = 5000) -> Combination:
    return combine(
        pieces, len(BLOCK), lambda block: block == BLOCK, limit=limit, trusted=len(pieces)
    )


@pytest.mark.parametrize(
    ("first", "second", "tries"),
    [
        ([range(256)], [range(256, 512)], 600),
        ([range(10, 40)], [range(40, 90)], 200),
        ([range(10, 40), range(300, 340)], [range(100, 160)], 20),
        ([range(10, 40), range(60, 70)], [range(40, 60)], 5000),
        ([[5], [100], [200], [300]], [[50], [150], [250], [350]], 256),
        ([[5, 100, 200, 300, 400]], [[6]], 64),
    ],
)
def test_runs_of_damage_are_found_early(
    first: Sequence[Iterable[int]], second: Sequence[Iterable[int]], tries: int
) -> None:
    wrong = [[sector for run in runs for sector in run] for runs in (first, second)]
    found = search(piece(wrong[0], 1), piece(wrong[1], 2))
    assert found.is_proved
    assert found.data == BLOCK
    assert 0 < found.tried <= tries
    assert {sector for sector, source in enumerate(found.sources) if source == 1} == set(wrong[0])


def test_a_majority_is_right_at_the_first_try() -> None:
    wrong = [range(start, 512, 3) for start in range(3)]  # no two the same, nowhere all right
    found = search(*(piece(sectors, by) for by, sectors in enumerate(wrong, 1)), piece([], 0))
    assert found.tried == 1
    found = search(piece([7], 1), piece([7], 1), piece(range(100, 200), 2))
    assert found.is_proved


def test_what_is_missing_is_taken_from_where_it_is() -> None:
    found = search(piece([], 0, range(100, 512)), piece([], 0, range(90)))
    assert found.is_proved
    assert found.possible == 1
    assert found.sources[:90] == (0,) * 90
    assert found.sources[100:] == (1,) * 412


def test_sectors_in_no_copy() -> None:
    found = search(piece([1], 1, [7, 8]), piece([2], 1, [8, 9]))
    assert (found.is_proved, found.absent, found.tried) == (False, 1, 1)


def test_the_search_stops_at_its_limit() -> None:
    tried: list[int] = []

    def never(block: bytearray) -> bool:
        tried.append(1)
        return False

    pieces = [piece(range(512), by) for by in (1, 2, 3)]
    found = combine(pieces, len(BLOCK), never, limit=50, trusted=3)
    assert (found.tried, len(tried)) == (50, 50)
    assert found.possible == 3**512


@settings(derandomize=True, deadline=None, max_examples=60)
@given(st.lists(st.lists(st.integers(0, 3), min_size=6, max_size=6), min_size=2, max_size=4))
def test_within_the_limit_every_combination_comes_once(versions: list[list[int]]) -> None:
    """Against a plain product of what the copies hold."""
    pieces = [Piece(b"".join(bytes([value + 1]) * SECTOR for value in row)) for row in versions]
    seen: list[bytes] = []

    def note(block: bytearray) -> bool:
        seen.append(bytes(block[::SECTOR]))
        return False

    found = combine(pieces, 6 * SECTOR, note, limit=4096, trusted=len(pieces))
    expected = {
        bytes(value + 1 for value in choice)
        for choice in product(*({row[at] for row in versions} for at in range(6)))
    }
    assert len(seen) == len(set(seen)) == found.tried == found.possible == len(expected)
    assert set(seen) == expected
    exactly = combine(pieces, 6 * SECTOR, note, limit=len(expected), trusted=len(pieces))
    assert (exactly.tried, exactly.possible) == (len(expected), len(expected))


def test_best_guess_counts_only_trusted_copies() -> None:
    image, strangers = piece([3], 1), [piece(range(512), 9)] * 4
    pieces = [image, *strangers]
    found = combine(pieces, len(BLOCK), lambda block: False, limit=10, trusted=1)
    assert found.data == image.data


def marked(*marks: int) -> Piece:
    """A copy whose sectors have these bytes throughout."""
    return Piece(b"".join(bytes([mark]) * SECTOR for mark in marks))


def tried_of(*pieces: Piece, limit: int) -> list[bytes]:
    """Return what is tried where nothing is right, in its order."""
    tried: list[bytes] = []

    def is_right(block: bytearray) -> bool:
        tried.append(bytes(block))
        return False

    answer = combine(pieces, len(pieces[0].data), is_right, limit=limit, trusted=len(pieces))
    assert (answer.is_proved, answer.tried) == (False, len(tried))
    return tried


@pytest.mark.parametrize("seed", range(20))
def test_of_many_copies_with_the_same_two_contents_every_combination_comes(seed: int) -> None:
    """Then changes from copy to copy come so often again that they alone do not reach all."""
    chance = random.Random(seed)
    halves = [chance.choices((1, 2), k=7) for _ in range(4)]
    copies = [marked(*marks) for marks in (*halves, [3 - mark for mark in halves[0]])]
    tried = tried_of(*copies, limit=128)
    assert sorted(tried) == sorted(marked(*marks).data for marks in product((1, 2), repeat=7))


def test_few_changes_along_the_block_are_tried_before_many() -> None:
    tried = tried_of(marked(1, 1, 1, 1), marked(2, 2, 2, 2), limit=1000)
    firsts = [block[::SECTOR] for block in tried]
    changes = [sum(one != other for one, other in pairwise(marks)) for marks in firsts]
    assert changes == sorted(changes)
    assert len(changes) == 16
