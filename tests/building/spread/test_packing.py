"""Spreading numbers over discs: every item once, in order, no disc too full, bounds that hold."""

from __future__ import annotations

import itertools
import random
from collections.abc import Sequence

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from mediashelf.building.spread.bounds import packing_bound, size_bound
from mediashelf.building.spread.packing import Item, Search, pack_heaviest_first, pack_in_sequence
from mediashelf.building.spread.spread import Ground, Spread, spread


class PlainRoom:
    """A disc on which weights add up."""

    def __init__(self, items: Sequence[Item], capacity: int) -> None:
        self._items = items
        self.least_capacity = capacity

    def fits(self, chosen: Sequence[int]) -> bool:
        return sum(self._items[number].weight for number in chosen) <= self.least_capacity


def made(*weights: int | tuple[int, int]) -> list[Item]:
    """Items of these weights; a pair is a weight and a rank."""
    pairs = [one if isinstance(one, tuple) else (one, 0) for one in weights]
    return [Item(weight, weight, rank) for weight, rank in pairs]


def run(items: Sequence[Item], capacity: int) -> Spread:
    return spread(items, PlainRoom(items, capacity))


def loads(items: Sequence[Item], result: Spread) -> list[int]:
    return [sum(items[number].weight for number in disc) for disc in result.discs]


def fewest(items: Sequence[Item], capacity: int) -> int:
    """The least number of discs, by the most simple-minded way: every assignment."""
    for count in range(1, len(items) + 1):
        for discs in itertools.product(range(count), repeat=len(items)):
            filled = [0] * count
            for item, disc in zip(items, discs, strict=True):
                filled[disc] += item.weight
            in_order = all(
                discs[one] <= discs[other]
                for one, first in enumerate(items)
                for other, second in enumerate(items)
                if first.rank < second.rank
            )
            if in_order and max(filled) <= capacity:
                return count
    raise AssertionError("an item is too large")


small_items = st.lists(
    st.tuples(st.integers(1, 10), st.integers(0, 2)), min_size=1, max_size=6
).map(lambda pairs: made(*pairs))
items_of_any_rank = st.lists(
    st.tuples(st.integers(1, 100), st.sampled_from([0, 0, 0, 1, 5])), min_size=1, max_size=60
).map(lambda pairs: made(*pairs))


def check(items: Sequence[Item], capacity: int, result: Spread) -> None:
    """What holds of every spread."""
    assert sorted(number for disc in result.discs for number in disc) == list(range(len(items)))
    assert max(loads(items, result)) <= capacity
    assert all(result.discs)
    disc_of = {number: place for place, disc in enumerate(result.discs) for number in disc}
    for one, first in enumerate(items):
        for other, second in enumerate(items):
            if first.rank < second.rank:
                assert disc_of[one] <= disc_of[other]
    assert all(list(disc) == sorted(disc) for disc in result.discs)
    assert size_bound([item.least for item in items], capacity) <= result.bound
    assert result.bound <= len(result.discs)


@given(small_items)
@settings(derandomize=True, deadline=None, max_examples=150)
def test_few_items_are_spread_as_well_as_possible(items: list[Item]) -> None:
    result = run(items, 10)
    check(items, 10, result)
    assert len(result.discs) == fewest(items, 10)
    assert result.is_proved_least


@given(items_of_any_rank, st.integers(100, 300))
@settings(derandomize=True, deadline=None, max_examples=60)
def test_many_items_are_spread_in_order_and_within_the_capacity(
    items: list[Item], capacity: int
) -> None:
    result = run(items, capacity)
    check(items, capacity, result)
    assert run(items, capacity) == result  # the same every time


@given(st.lists(st.integers(1, 10), min_size=1, max_size=6))
@settings(derandomize=True, deadline=None)
def test_bounds_never_promise_too_much(sizes: list[int]) -> None:
    least = fewest(made(*sizes), 10)
    assert size_bound(sizes, 10) <= packing_bound(sizes, 10) <= least


@pytest.mark.parametrize(
    ("sizes", "bound"),
    [
        ([6, 6, 6], 3),  # two do not fit together, though 18 would fit on two discs
        ([10, 10], 2),
        ([7, 4, 4], 2),
        ([5, 5, 5, 5], 2),
        ([4, 4, 4, 4, 4, 4], 3),
        ([1], 1),
        ([9, 9, 2, 2], 3),  # the twos fit beside nothing
    ],
)
def test_the_bound_of_sizes_that_exclude_each_other(sizes: list[int], bound: int) -> None:
    assert packing_bound(sizes, 10) == bound


def test_the_ground_of_a_bound_is_told() -> None:
    assert run(made(5, 5, 5), 10).ground is Ground.SIZE
    assert run(made(6, 6, 6), 10).ground is Ground.PACKAGES
    # Three times 4 is more than 10, so no disc takes three; neither bound sees it.
    result = run(made(4, 4, 4, 4, 4), 10)
    assert (len(result.discs), result.bound, result.ground) == (3, 3, Ground.EVERY_WAY)


def test_sequence_is_kept_where_it_costs_no_disc() -> None:
    result = run(made(3, 3, 3, 3, 3, 3), 9)
    assert result.discs == ((0, 1, 2), (3, 4, 5))
    # In sequence this takes three discs, otherwise two.
    result = run(made(4, 7, 6, 3), 10)
    assert result.discs == ((0, 2), (1, 3))


def test_discs_are_filled_equally() -> None:
    assert loads(made(*[2] * 9), run(made(*[2] * 9), 14)) == [10, 8]
    assert loads(made(*[1] * 30), run(made(*[1] * 30), 12)) == [10, 10, 10]
    items = made(7, 5, 5, 3, 3, 3, 2, 2)  # 30 on three discs, not in sequence
    assert sorted(loads(items, run(items, 11))) == [10, 10, 10]


def test_ranks_go_before_balance_and_sequence() -> None:
    items = made((5, 2), (5, 1), (5, 1), (5, 0))
    assert run(items, 10).discs == ((1, 3), (0, 2))
    # Each of its own rank: the only freedom is where to cut.
    items = made((6, 0), (5, 1), (4, 2), (6, 3), (1, 4))
    assert run(items, 10).discs == ((0,), (1, 2), (3, 4))
    assert run(items, 10).is_proved_least


def test_no_items_need_no_disc() -> None:
    assert run([], 10) == Spread((), 0, Ground.SIZE)


def test_a_search_says_when_it_gave_up() -> None:
    items = made(*random.Random(5).choices(range(20, 60), k=40))
    least = size_bound([item.least for item in items], 100)
    search = Search(items, 100, PlainRoom(items, 100).fits, steps=10)
    assert search.run(least) is None
    assert search.gave_up
    fewer = Search(items, 100, PlainRoom(items, 100).fits, steps=10_000)
    assert fewer.run(1) is None
    assert not fewer.gave_up


def test_many_ranks_are_proved_without_trying_every_way() -> None:
    """With a rank of its own for each item only one way counts: go on while it fits."""
    items = [Item(7, 7, rank) for rank in range(120)]
    result = run(items, 20)
    assert (len(result.discs), result.bound) == (60, 60)


def test_both_simple_ways_pack_what_they_are_known_to_pack() -> None:
    """The textbook example of heaviest-first with a worse end than the best one."""
    items = made(6, 5, 4, 3, 2, 2)  # 22 on discs of 11: two are enough
    room = PlainRoom(items, 11)
    assert pack_heaviest_first(items, room.fits, best_fit=False) == [(0, 1), (2, 3, 4, 5)]
    assert pack_in_sequence(items, room.fits) == [(0, 1), (2, 3, 4, 5)]


@pytest.mark.parametrize("seed", range(5))
def test_forty_items_are_proved_least_mostly(seed: int) -> None:
    """As with forty packages and three discs: the bound by size is reached."""
    randomness = random.Random(seed)
    items = made(*[randomness.randint(5, 120) for _ in range(40)])
    capacity = sum(item.weight for item in items) // 3 + 15
    result = run(items, capacity)
    check(items, capacity, result)
    assert len(result.discs) == 3
    assert result.is_proved_least
    assert max(loads(items, result)) - min(loads(items, result)) <= 120
