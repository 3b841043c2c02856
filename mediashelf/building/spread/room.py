"""How much of a disc units take, by the layout that the disc will have."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from functools import cached_property
from typing import NamedTuple

from mediashelf.building.naming.layout import lay_out, sectors_for
from mediashelf.building.naming.trees import (
    BOOT_CATALOG,
    HTML_PAGE,
    INDEX_PAGE,
    KnownNames,
    name_trees,
)
from mediashelf.building.pages.disc_pages import PagesSize
from mediashelf.building.pages.index_page import index_size
from mediashelf.building.planning.listing import Listing
from mediashelf.building.recipes.recipe import Recipe
from mediashelf.building.spread.alone import Measured, measure_alone
from mediashelf.building.spread.packing import Item
from mediashelf.building.spread.subset import subset
from mediashelf.building.spread.units import Parts, Unit
from mediashelf.building.tree import Content, DiscFile
from mediashelf.formats.volume import SECTOR_SIZE

# What a folder takes beside its own sectors, at the most, and its name twice for each of two
# bytes a character: records in the folders above (ISO, /DEEP, Joliet) and twice in the path
# tables of both trees, with a short name of 12 characters (ECMA-119 9.1, 9.4).
_FOLDER_BYTES = 256
_NAME_BYTES = 6  # a character of a Joliet name: once in a record, twice in path tables
_FILE_BYTES = 256  # the records of one file in both trees
_FOLDER_SECTORS = 2  # one in each tree, at the least
_SLACK_SECTORS = 16  # what rounding up can add to the tables and pages of a disc

MOST_LAID_OUT = 400
"""Sets near the border for which discs are laid out; what comes later must fit by sums."""


class Measure:
    """Lays out discs of units without planning anything else of them.

    ``reserve`` is kept free on the pages for what they tell beside a disc's own files, and
    ``names`` are those of folders that were on a disc once.
    """

    def __init__(self, recipe: Recipe, listing: Listing, reserve: PagesSize) -> None:
        self.capacity = recipe.capacity.sectors
        self.listing = listing
        self._label = recipe.label
        self._has_pages = recipe.index
        self._reserve = reserve
        self.names: KnownNames = {}

    @cached_property
    def empty(self) -> Measured:
        """What a disc takes without any unit."""
        return self.measure(())

    def measure_alone(self, unit: Unit) -> Measured:
        """Return what the disc with one unit takes; its index may be given a little more."""
        return measure_alone(unit, self.empty) or self.measure((unit,))

    def measure(self, units: Iterable[Unit]) -> Measured:
        """Return what the disc with these units takes."""
        listing = subset(self.listing, units)
        index = DiscFile(INDEX_PAGE, Content("", 0), 0)
        html = DiscFile(HTML_PAGE, Content("", self._reserve.html), 0)
        catalog = DiscFile(BOOT_CATALOG, Content("", SECTOR_SIZE), 0)
        own = [index, html] if self._has_pages else []
        if listing.boot and listing.boot_file:
            own += [catalog, listing.boot_file]
        trees = name_trees(listing.root, own, self.names)
        if self._has_pages:
            index.own.size = index_size(self._label, trees) + self._reserve.text
        layout = lay_out(
            trees,
            boot=listing.boot.content if listing.boot else None,
            catalog=catalog.own if listing.boot else None,
        )
        return Measured(layout.used_sectors, index.own.size)


class _Bound(NamedTuple):
    """The most that a set takes: sectors of a set that was laid out, and of what came to it.

    ``above`` are the folders that its units are in.
    """

    sectors: int
    loose_bytes: int
    above: set[Parts]

    @property
    def most(self) -> int:
        return self.sectors + self.loose_bytes // SECTOR_SIZE + _SLACK_SECTORS


class DiscRoom:
    """One disc of the recipe's capacity; sets of units are asked for by number.

    Most questions are answered from a set that was laid out and the sectors that each
    unit after it takes ``alone``, or adds to any disc; only between the two are the trees
    named and laid out again.
    """

    def __init__(self, measure: Measure, units: Sequence[Unit], alone: Sequence[Measured]) -> None:
        self._measure = measure
        self._units = units
        base = measure.empty
        self._base = base.sectors
        self._alone = [one.sectors - base.sectors for one in alone]
        self._added = _added_sectors(units)
        self._loose = [
            _loose_bytes(unit) + one.index_size - base.index_size
            for unit, one in zip(units, alone, strict=True)
        ]
        self._known: dict[frozenset[int], int] = {}
        self._at_most = {frozenset[int](): _Bound(base.sectors, 0, set())}

    def items(self) -> list[Item]:
        """Return what packing needs to know of each unit."""
        ranks = sorted({_rank(unit) for unit in self._units})
        return [
            Item(self._alone[number], ranks.index(_rank(unit)))
            for number, unit in enumerate(self._units)
        ]

    def least_discs(self) -> int:
        """Return how many discs any way of packing takes, at the least."""
        room = max(self._measure.capacity - self._base, 1)
        return -(-sum(self._added) // room)

    def fits(self, chosen: Sequence[int]) -> bool:
        """Return whether these units fit on one disc; in doubt they do not."""
        capacity = self._measure.capacity
        *before, last = chosen
        key = frozenset(before)
        for is_exact in (False, True):
            if is_exact and len(self._known) < MOST_LAID_OUT:
                above = {one for number in before for one in _above(self._units[number])}
                self._at_most[key] = _Bound(self.sectors(before), 0, above)
            bound = self._at_most.get(key)
            if bound is not None:
                above = _above(self._units[last])
                new = above - bound.above
                there = len(above) - len(new)
                grown = _Bound(
                    bound.sectors + self._alone[last] - _FOLDER_SECTORS * there,
                    bound.loose_bytes + self._loose[last],
                    bound.above | new if new else bound.above,
                )
                if grown.most <= capacity:
                    if key:  # the set grew; every disc begins with the empty one
                        del self._at_most[key]
                    self._at_most[key | {last}] = grown
                    return True
        known = self._known.get(key)
        if known is not None and known + self._added[last] > capacity:
            return False
        if len(self._known) >= MOST_LAID_OUT and frozenset(chosen) not in self._known:
            return False
        return self.sectors(chosen) <= capacity

    def sectors(self, chosen: Iterable[int]) -> int:
        """Return the sectors of the disc with these units, its pages included."""
        key = frozenset(chosen)
        found = self._known.get(key)
        if found is None:
            units = [self._units[number] for number in sorted(key)]
            found = self._known[key] = self._measure.measure(units).sectors
        return found


def _rank(unit: Unit) -> tuple[bool, int]:
    # The disc that boots is the first, whatever the recipe's order.
    return not unit.has_boot, unit.order


def _above(unit: Unit) -> set[Parts]:
    """Return the folders above a unit; alone in its disc, each has one sector in each tree."""
    return {unit.top[:depth] for depth in range(1, len(unit.top))}


def _loose_bytes(unit: Unit) -> int:
    """Return what a unit may add to tables and folders that it shares with others."""
    folders = {*unit.folders, *(unit.top[:depth] for depth in range(1, len(unit.top) + 1))}
    names = sum(len(folder[-1]) for folder in folders if folder)
    files = sum(placed.folder == unit.top for placed in unit.files)
    return len(folders) * _FOLDER_BYTES + names * _NAME_BYTES + files * _FILE_BYTES


def _added_sectors(units: Sequence[Unit]) -> list[int]:
    """Return what each unit adds to every disc, at the least: folders, and its own contents."""
    sharing = Counter(
        content for unit in units for content in {id(one.file.content) for one in unit.files}
    )
    added = []
    for unit in units:
        own = {id(one.file.content): one.file.own.size for one in unit.files}
        sectors = sum(sectors_for(size) for content, size in own.items() if sharing[content] == 1)
        added.append(sectors + _FOLDER_SECTORS * sum(1 for folder in unit.folders if folder))
    return added
