"""Making the discs of a packing equally full without needing another one.

What counts is the sum of the squares of what is on each disc: it is least when all
are equal. Neither way breaks the order of ranks.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from mediashelf.building.packing import Disc, Fits, Item

MOST_IN_SEQUENCE = 400
"""Items up to which every way to cut the sequence is compared."""

MOST_EXCHANGED = 200
"""Items up to which exchanges between discs are tried."""


def level_sequence(items: Sequence[Item], fits: Fits, count: int) -> list[Disc] | None:
    """Return the most equal way to cut the sequence of items into ``count`` discs.

    None when there is none, or when there are too many items to compare all.
    """
    numbers = sorted(range(len(items)), key=lambda number: (items[number].rank, number))
    if len(numbers) > MOST_IN_SEQUENCE or count > len(numbers):
        return None
    runs = _fitting_runs(items, numbers, fits)
    # For each count of discs and each end: the least sum of squares, and the last cut.
    best: list[dict[int, tuple[int, int]]] = [{0: (0, 0)}]
    for _ in range(count):
        ends: dict[int, tuple[int, int]] = {}
        for start, (cost, _) in best[-1].items():
            for end, load in runs[start] if start < len(numbers) else ():
                candidate = (cost + load * load, start)
                # Of equal ways the one with the later cut: earlier discs are the fuller.
                if end not in ends or (candidate[0], -start) < (ends[end][0], -ends[end][1]):
                    ends[end] = candidate
        best.append(ends)
    if len(numbers) not in best[count]:
        return None
    discs, end = [], len(numbers)
    for made in range(count, 0, -1):
        start = best[made][end][1]
        discs.append(tuple(numbers[start:end]))
        end = start
    return discs[::-1]


def _fitting_runs(
    items: Sequence[Item], numbers: Sequence[int], fits: Fits
) -> list[list[tuple[int, int]]]:
    """Return, by start, the ends and loads of runs that fit on one disc."""
    runs = []
    for start in range(len(numbers)):
        ends, load = [], 0
        for end in range(start + 1, len(numbers) + 1):
            if not fits(numbers[start:end]):
                break
            load += items[numbers[end - 1]].weight
            ends.append((end, load))
        runs.append(ends)
    return runs


def level_by_exchange(items: Sequence[Item], fits: Fits, discs: Sequence[Disc]) -> list[Disc]:
    """Return the discs after every move and swap that makes two of them more equal."""
    made = [list(disc) for disc in discs]
    if len(items) > MOST_EXCHANGED:
        return list(discs)
    loads = [sum(items[number].weight for number in disc) for disc in made]
    # Every exchange makes the sum of squares smaller, so this ends; the limit is for time.
    for _ in range(4 * len(items)):
        change = next(_better(items, fits, made, loads), None)
        if change is None:
            break
        fuller, emptier, moved, back = change
        for number in moved:
            made[fuller].remove(number)
        for number in back:
            made[emptier].remove(number)
        made[fuller] += back
        made[emptier] += moved
        difference = sum(items[n].weight for n in moved) - sum(items[n].weight for n in back)
        loads[fuller] -= difference
        loads[emptier] += difference
    return [tuple(disc) for disc in made]


def _better(
    items: Sequence[Item], fits: Fits, discs: list[list[int]], loads: list[int]
) -> Iterator[tuple[int, int, list[int], list[int]]]:
    """Yield exchanges: a fuller and an emptier disc, what moves, and what comes back."""
    by_load = sorted(range(len(discs)), key=lambda place: (-loads[place], place))
    for at, fuller in enumerate(by_load):
        for emptier in by_load[:at:-1]:
            gap = loads[fuller] - loads[emptier]
            for number in sorted(discs[fuller], key=lambda one: (-items[one].weight, one)):
                for back in ([], *([other] for other in discs[emptier])):
                    difference = items[number].weight - sum(items[n].weight for n in back)
                    if not 0 < difference < gap or len(discs[fuller]) + len(back) < 2:
                        continue
                    if (
                        _keeps_order(items, discs, fuller, emptier, [number], back)
                        and fits([*(one for one in discs[emptier] if one not in back), number])
                        and fits([*(one for one in discs[fuller] if one != number), *back])
                    ):
                        yield fuller, emptier, [number], back


def _keeps_order(
    items: Sequence[Item],
    discs: list[list[int]],
    one: int,
    other: int,
    moved: list[int],
    back: list[int],
) -> bool:
    """Whether no item would be on a later disc than one of a higher rank."""
    highest = -1
    for place, disc in enumerate(discs):
        numbers = [number for number in disc if number not in moved and number not in back]
        numbers += back if place == one else moved if place == other else []
        ranks = [items[number].rank for number in numbers]
        if ranks and min(ranks) < highest:
            return False
        highest = max([highest, *ranks])
    return True
