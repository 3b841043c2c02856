"""How much of a disc units take, by the layout that the disc will have."""

from __future__ import annotations

from collections.abc import Iterable
from functools import cached_property

from mediashelf.building.naming.layout import lay_out
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
from mediashelf.building.spread.subset import subset
from mediashelf.building.spread.units import Unit
from mediashelf.building.tree import Content, DiscFile
from mediashelf.formats.volume import SECTOR_SIZE

_NAMES_KEPT = 4  # for each file: both trees, and as many in folders that were parted
_FEW_NAMES = 10_000


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
        self._most_names = _NAMES_KEPT * len(listing.files) + _FEW_NAMES
        self.names: KnownNames = {}
        self._alone: dict[Measured, Measured] = {}

    @cached_property
    def empty(self) -> Measured:
        """What a disc takes without any unit."""
        return self.measure(())

    def measure_alone(self, unit: Unit) -> Measured:
        """Return what the disc with one unit takes; its index may be given a little more."""
        alone = measure_alone(unit, self.empty) or self.measure((unit,))
        return self._alone.setdefault(alone, alone)  # of thousands of loose files most are alike

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
        trees.let_go()
        if sum(len(order) for order, _ in self.names.values()) > self._most_names:
            self.names.clear()  # folders are parted in another way each time
        return Measured(layout.used_sectors, index.own.size)
