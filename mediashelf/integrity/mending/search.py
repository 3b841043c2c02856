"""Find the combination of sectors from damaged copies that a block's digest proves.

Copies of one block that are damaged in different sectors hold the right bytes
between them. Where they agree there is nothing to choose. Where they differ, the
choices are tried in the order in which damage is likely to lie: it comes in runs, so
the fewer changes from one copy to another along the block, the earlier; and first
with these changes only where the copies' agreement changes as well. The number of
tries is bounded; what was tried of how many is part of the answer.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from itertools import chain, combinations, islice, pairwise, product

from msgspec import Struct

from mediashelf.formats.volume import SECTOR_SIZE
from mediashelf.integrity.mending.values import Piece, is_blank, sector_count


class Combination(Struct, frozen=True):
    """Sectors of several copies put together.

    ``data`` is what the digest proves, or the best guess when ``is_proved`` is
    False. ``sources`` names the copy of each sector by its place, the first that has
    these bytes. ``tried`` of ``possible`` combinations were compared. ``absent``
    sectors are in no copy: only the best guess was tried, which has zeros there.
    """

    data: bytes
    sources: tuple[int, ...]
    is_proved: bool
    tried: int
    possible: int
    absent: int = 0


class _Choice(Struct, frozen=True):
    """One sector in which copies differ: its different contents, the likeliest first."""

    sector: int
    contents: tuple[bytes, ...]
    sources: tuple[tuple[int, ...], ...]  # which copies hold each of the contents

    def of_copy(self, place: int) -> int:
        """Return which content a copy holds; the likeliest where it has none."""
        return next((n for n, places in enumerate(self.sources) if place in places), 0)


def combine(
    pieces: Sequence[Piece],
    size: int,
    is_right: Callable[[bytearray], bool],
    *,
    limit: int,
    trusted: int,
) -> Combination:
    """Search the combinations of sectors for one of which ``is_right`` says yes.

    ``pieces`` are the same ``size`` bytes of each copy. No more than ``limit``
    combinations are tried. The best guess counts the votes of the first ``trusted``
    copies only; the others may be of another image.
    """
    block = bytearray(size)
    sources = [0] * sector_count(size)
    choices: list[_Choice] = []
    absent = 0
    for index in range(len(sources)):
        choice = _choice(pieces, index, trusted)
        if choice is None:
            absent += 1
            _put(block, index, pieces[0].data[index * SECTOR_SIZE :][:SECTOR_SIZE])
            continue
        _put(block, index, choice.contents[0])
        sources[index] = choice.sources[0][0]
        if len(choice.contents) > 1:
            choices.append(choice)
    possible = math.prod(len(choice.contents) for choice in choices)
    guess = bytes(block)
    if absent:
        return Combination(guess, tuple(sources), is_right(block), 1, 1, absent)
    tried: set[bytes] = set()
    present = bytes(len(choices))
    for picks in _iter_picks(choices, len(pieces), possible, limit):
        if len(tried) >= min(limit, possible):
            break
        if picks in tried:
            continue
        tried.add(picks)
        for choice, old, new in zip(choices, present, picks, strict=True):
            if old != new:
                _put(block, choice.sector, choice.contents[new])
        present = picks
        if is_right(block):
            for choice, pick in zip(choices, picks, strict=True):
                sources[choice.sector] = choice.sources[pick][0]
            return Combination(bytes(block), tuple(sources), True, len(tried), possible)
    return Combination(guess, tuple(sources), False, len(tried), possible)


def _put(block: bytearray, index: int, sector: bytes) -> None:
    start = index * SECTOR_SIZE
    block[start : start + len(sector)] = sector


def _choice(pieces: Sequence[Piece], index: int, trusted: int) -> _Choice | None:
    """Return what the copies hold in one sector: data before zeros, then what more of them hold."""
    places: dict[bytes, list[int]] = {}
    for place, piece in enumerate(pieces):
        sector = piece.sector(index)
        if sector is not None:
            places.setdefault(sector, []).append(place)
    if not places:
        return None
    if len(places) == 1:
        ranked = list(places)
    else:
        votes = {sector: sum(place < trusted for place in held) for sector, held in places.items()}
        ranked = sorted(
            places, key=lambda sector: (not is_blank(sector), votes[sector]), reverse=True
        )
    return _Choice(index, tuple(ranked), tuple(tuple(places[sector]) for sector in ranked))


def _iter_picks(
    choices: Sequence[_Choice], copies: int, possible: int, limit: int
) -> Iterator[bytes]:
    """Yield combinations, likely ones first: one byte a choice, which of its contents to take.

    Some come more than once. Where ``possible`` is within ``limit``, every one comes.
    """
    count = len(choices)
    versions = list(
        dict.fromkeys(
            [
                bytes(count),
                *(bytes(choice.of_copy(place) for choice in choices) for place in range(copies)),
            ]
        )
    )
    borders = [
        at
        for at in range(1, count)
        if choices[at].sector != choices[at - 1].sector + 1
        or any(version[at] != version[at - 1] for version in versions)
    ]
    yield from chain(
        islice(_iter_splices(versions, borders, count), limit // 2),
        islice(_iter_splices(versions, range(1, count), count), 2 * limit),
    )
    if possible <= limit:
        yield from map(bytes, product(*(range(len(choice.contents)) for choice in choices)))


def _iter_splices(versions: Sequence[bytes], cuts: Sequence[int], count: int) -> Iterator[bytes]:
    """Yield what comes of changing from version to version at cuts, few changes first."""
    for changes in range(len(cuts) + 1):
        for places in combinations(cuts, changes):
            edges = list(pairwise((0, *places, count)))
            for order in _iter_orders(versions, changes + 1):
                yield b"".join(
                    version[start:end] for version, (start, end) in zip(order, edges, strict=True)
                )


def _iter_orders(versions: Sequence[bytes], length: int) -> Iterator[tuple[bytes, ...]]:
    """Yield every order of so many versions in which no two neighbours are the same."""
    if length == 1:
        yield from ((version,) for version in versions)
        return
    for order in _iter_orders(versions, length - 1):
        yield from ((*order, version) for version in versions if version is not order[-1])
