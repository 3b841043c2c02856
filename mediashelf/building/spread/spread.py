"""Spreading items over as few discs as possible, and saying how far that is proved.

The ways to pack, each of which may win: in sequence (kept whenever it needs no more
discs than the others, because it is what people expect), heaviest first, and trying
every way up to a limit. The bound is that of the sizes, of sizes that exclude each
other, or of having tried every way with fewer discs. What is found is then levelled: the
fullest disc is made as empty as the number of discs allows.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from enum import StrEnum
from functools import partial
from typing import NamedTuple

from mediashelf.building.spread.bounds import packing_bound, size_bound
from mediashelf.building.spread.levelling import level_by_exchange, level_sequence
from mediashelf.building.spread.packing import (
    Disc,
    Fits,
    Item,
    Room,
    Search,
    pack_heaviest_first,
    pack_in_sequence,
)

MOST_TRIED = 150
"""Items up to which every way is tried."""

PROOF_STEPS, PACKING_STEPS = 20_000, 2_000
"""Steps of trying every way: with sums alone, and with the discs' true sizes."""

LEVELLING_STEPS = 24

Way = Callable[[Sequence[Item], Fits], list[Disc]]


class Ground(StrEnum):
    """What a lower bound rests on."""

    SIZE = "their size"
    PACKAGES = "packages too large to share a disc"
    EVERY_WAY = "having tried every way"


class Spread(NamedTuple):
    """Items by number on discs in order; fewer than ``bound`` discs cannot hold them."""

    discs: tuple[Disc, ...]
    bound: int
    ground: Ground

    @property
    def is_proved_least(self) -> bool:
        """Whether no way needs fewer discs."""
        return len(self.discs) == self.bound


def spread(items: Sequence[Item], room: Room) -> Spread:
    """Spread items over as few discs as can be found; each must fit on a disc alone."""
    if not items:
        return Spread((), 0, Ground.SIZE)
    bound, ground = _bound(items, room)
    found = _fewest(items, room, bound)
    if len(found) > bound and len(items) <= MOST_TRIED:
        found, bound, ground = _try_every_way(items, room, found, bound, ground)
    levelled = _levelled(items, room, found)
    return Spread(tuple(_in_order(items, levelled)), bound, ground)


def _bound(items: Sequence[Item], room: Room) -> tuple[int, Ground]:
    sizes = [item.least for item in items]
    by_size = max(1, size_bound(sizes, room.least_capacity))
    by_packages = packing_bound(sizes, room.least_capacity)
    if by_packages > by_size:
        return by_packages, Ground.PACKAGES
    return by_size, Ground.SIZE


def _fewest(items: Sequence[Item], room: Room, bound: int) -> list[Disc]:
    in_sequence = pack_in_sequence(items, room.fits)
    if len(in_sequence) == bound:
        return in_sequence
    ways = [pack_heaviest_first(items, room.fits, best_fit=best_fit) for best_fit in (False, True)]
    return min([in_sequence, *ways], key=len)  # the first of the shortest


def _try_every_way(
    items: Sequence[Item], room: Room, found: list[Disc], bound: int, ground: Ground
) -> tuple[list[Disc], int, Ground]:
    """Look for fewer discs, and for a proof that there are none."""
    capacity = room.least_capacity
    least = [item._replace(weight=item.least) for item in items]

    def least_fit(chosen: Sequence[int]) -> bool:
        return sum(items[number].least for number in chosen) <= capacity

    while bound < len(found):
        proof = Search(least, capacity, least_fit, steps=PROOF_STEPS)
        if proof.run(bound) is not None or proof.gave_up:
            break
        bound, ground = bound + 1, Ground.EVERY_WAY
    for count in range(bound, len(found)):
        better = Search(items, capacity, room.fits, steps=PACKING_STEPS).run(count)
        if better is not None:
            return better, bound, ground
    return found, bound, ground


def _levelled(items: Sequence[Item], room: Room, found: list[Disc]) -> list[Disc]:
    """Return a packing on as many discs that fills them as equally as can be found."""
    count = len(found)
    if count == 1:
        return found
    if len(pack_in_sequence(items, room.fits)) == count:
        level = level_sequence(items, room.fits, count)
        return level or _less_full(items, room, found, [pack_in_sequence])
    ways = [partial(pack_heaviest_first, best_fit=best_fit) for best_fit in (False, True)]
    return level_by_exchange(items, room.fits, _less_full(items, room, found, ways))


def _less_full(
    items: Sequence[Item], room: Room, found: list[Disc], ways: Sequence[Way]
) -> list[Disc]:
    """Return the packing of these ways whose fullest disc is the emptiest."""
    best, high = found, _fullest(items, found)
    low = max(
        -(-sum(item.weight for item in items) // len(found)), max(item.weight for item in items)
    )
    for _ in range(LEVELLING_STEPS):
        middle = (low + high) // 2
        if middle >= high:
            break
        limited = _limited(items, middle)
        packed = [way(items, limited) for way in ways]
        good = [one for one in packed if len(one) == len(found) and all(map(room.fits, one))]
        if good:
            best = min(good, key=lambda one: _fullest(items, one))
            high = min(middle, _fullest(items, best))
        else:
            low = middle + 1
    return best


def _limited(items: Sequence[Item], limit: int) -> Fits:
    return lambda chosen: sum(items[number].weight for number in chosen) <= limit


def _fullest(items: Sequence[Item], discs: Sequence[Disc]) -> int:
    return max(sum(items[number].weight for number in disc) for disc in discs)


def _in_order(items: Sequence[Item], discs: Sequence[Disc]) -> list[Disc]:
    """Return the discs, with those of one rank alone in the order of what is first on them."""
    ordered = [tuple(sorted(disc)) for disc in discs]
    at = 0
    while at < len(ordered):
        ranks = _ranks(items, ordered[at])
        end = at + 1
        while len(ranks) == 1 and end < len(ordered) and _ranks(items, ordered[end]) == ranks:
            end += 1
        ordered[at:end] = sorted(ordered[at:end])
        at = end
    return ordered


def _ranks(items: Sequence[Item], disc: Disc) -> set[int]:
    return {items[number].rank for number in disc}
