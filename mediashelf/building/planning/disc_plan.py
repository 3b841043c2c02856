"""A disc before it is written: every name, place, date and size, and what is wrong with it.

A plan yields the same :class:`DiscFacts` as the finished image, so whoever judges
images can judge plans.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from datetime import datetime
from typing import NamedTuple

from msgspec import Struct

from mediashelf.building.naming.layout import Layout, lay_out
from mediashelf.building.naming.names import Label, disc_label
from mediashelf.building.naming.trees import (
    BOOT_CATALOG,
    HTML_PAGE,
    INDEX_PAGE,
    KnownNames,
    NamedTrees,
    name_trees,
)
from mediashelf.building.pages.disc_pages import DiscPages, Note
from mediashelf.building.pages.html_page import render_html
from mediashelf.building.pages.index_page import NO_PAGES, index_size
from mediashelf.building.planning.boot import PlannedBoot
from mediashelf.building.planning.checks import check_depth, check_files, check_label, check_layout
from mediashelf.building.planning.folder_paths import places_of_sources
from mediashelf.building.planning.listing import Listing, list_sources
from mediashelf.building.planning.planned_facts import planned_facts
from mediashelf.building.recipes.capacity import Capacity
from mediashelf.building.recipes.recipe import Recipe
from mediashelf.building.sources.clock import date_disc, disc_moment
from mediashelf.building.tree import Content, DiscFile, date_folders
from mediashelf.findings import Findings, joined
from mediashelf.formats.volume import SECTOR_SIZE, DiscFacts
from mediashelf.sequences import MadeSequence


class PlannedFile(NamedTuple):
    """One file of the disc; ``source`` is empty for what is made: index page, boot catalog.

    ``modified`` counts seconds since 1970, UTC. ``is_shared`` is True when the
    file shows the place of an equal one.
    """

    short_path: str
    long_path: str
    source: str
    size: int
    modified: int
    is_shared: bool

    @property
    def is_renamed(self) -> bool:
        """Whether the short name says something else than the long one (case apart)."""
        short, long = (path.rpartition("/")[2] for path in (self.short_path, self.long_path))
        return short != long.upper()


class DeclaredFolder(NamedTuple):
    """A folder of the disc with the devices (hardware ids) that the recipe says it drives.

    ``targets`` are the names of those it does so for; empty means all of them.
    """

    short_path: str
    long_path: str
    identifiers: tuple[str, ...]
    targets: tuple[str, ...]


class DiscPlan(Struct, frozen=True):
    """A disc that can be built: sizes are in bytes, ``size`` is exactly that of the image.

    ``source_size`` adds up all files, ``shared_size`` those bytes that equal
    files before them hold already. ``made`` is the date of the disc.
    """

    recipe: Recipe
    label: Label
    made: datetime
    facts: DiscFacts
    findings: Findings
    declared: tuple[DeclaredFolder, ...]
    folder_count: int
    source_size: int
    shared_size: int
    layout: Layout
    trees: NamedTrees
    boot: PlannedBoot | None
    index: DiscFile | None
    html: DiscFile | None
    catalog: DiscFile | None
    pages: DiscPages
    notes: tuple[Note, ...]
    sources: tuple[DiscFile, ...]
    listing: Listing

    @property
    def size(self) -> int:
        """Bytes of the finished image."""
        return self.layout.size

    @property
    def capacity(self) -> Capacity:
        """What the disc must fit on."""
        return self.recipe.capacity

    @property
    def files(self) -> Sequence[PlannedFile]:
        """All files by their long paths; each is put together for whoever asks for it."""
        return _PlannedFiles(self.trees.joliet.iter_files())

    @property
    def file_count(self) -> int:
        """How many files the disc has, with those that are made."""
        return len(self.sources) + len(_there(self.index, self.html, self.catalog))

    def iter_files(self) -> Iterator[DiscFile]:
        """Yield the files as the builder knows them, those that are made last."""
        yield from self.sources
        yield from _there(self.index, self.html, self.catalog)

    @property
    def content_size(self) -> int:
        """Bytes that are read from the sources; read-back reads as many again."""
        return sum(content.size for content in self.layout.contents)


def plan_disc(
    recipe: Recipe,
    pages: DiscPages = NO_PAGES,
    *,
    on_bytes: Callable[[int], None] = lambda count: None,
) -> DiscPlan:
    """List the sources and decide everything about the disc; nothing is written.

    Files are read only where their size occurs more than once; ``on_bytes`` is
    called with the number of bytes just read. With the recipe and the pages of another
    plan this is a second plan of the same disc.

    Raises :class:`InputError` when a source or the boot image is not there, and
    :class:`BuildError` when a file changes while it is looked at. What is wrong with
    the sources or the disc is in the plan's findings.
    """
    return plan_listing(recipe, list_sources(recipe, on_bytes=on_bytes), pages)


def plan_listing(
    recipe: Recipe,
    listing: Listing,
    pages: DiscPages = NO_PAGES,
    names: KnownNames | None = None,
) -> DiscPlan:
    """Decide everything about the disc that holds what was listed; nothing is read.

    ``pages`` is what the disc's pages tell beside its files; they have no influence on
    the names of what is listed. ``names`` are those known of folders. A listing is good for
    one plan at a time: the places on the disc are kept in it.
    """
    boot, boot_file, listed = listing.boot, listing.boot_file, listing.files
    sources = (*_there(boot_file), *listed)
    date = date_disc(sources)
    date_folders(listing.root, date)
    contents = [file.own for file in sources]

    number = pages.series.number if pages.series is not None else 0
    label = disc_label(recipe.label, number)
    has_html = recipe.index and (pages != NO_PAGES or any(one.notes for one in recipe.folders))
    index = DiscFile(INDEX_PAGE, Content("", 0), date) if recipe.index else None
    html = DiscFile(HTML_PAGE, Content("", 0), date) if has_html else None
    catalog = DiscFile(BOOT_CATALOG, Content("", SECTOR_SIZE), date) if boot else None
    trees = name_trees(listing.root, _there(boot_file, catalog, index, html), names)
    places = places_of_sources(recipe, listing, trees)
    notes = tuple(Note(short, long, one.notes) for short, long, one in places if one.notes)
    if index is not None:
        index.own.size = index_size(recipe.label, trees, pages, notes)
    if index is not None and html is not None:
        name = index.short_path.removeprefix("/")
        html.own.data = render_html(recipe.label, pages, notes, name)
        html.own.size = len(html.own.data)
    layout = lay_out(
        trees, boot=boot.content if boot else None, catalog=catalog.own if catalog else None
    )
    boot_facts = boot.facts(catalog.own) if boot and catalog else None
    findings = joined(
        listing.findings,
        # The number at the end of a label is no news; the rest is told of once.
        check_label(recipe.label, disc_label(recipe.label)) if number <= 1 else (),
        boot.check() if boot else (),
        check_layout(layout, recipe.capacity),
        check_depth(trees),
        Findings(check_files(listed, trees)),
    )
    return DiscPlan(
        recipe=recipe,
        label=label,
        made=disc_moment(date),
        facts=planned_facts(layout, label, disc_moment(date), boot_facts),
        findings=findings,
        declared=tuple(
            DeclaredFolder(short, long, one.provides, one.provides_for)
            for short, long, one in places
            if one.provides
        ),
        folder_count=len(layout.joliet) - 1,
        source_size=sum(content.size for content in contents),
        shared_size=sum(content.size for content in contents if content.equal_to is not None),
        layout=layout,
        trees=trees,
        boot=boot,
        index=index,
        html=html,
        catalog=catalog,
        pages=pages,
        notes=notes,
        sources=sources,
        listing=listing,
    )


def _there(*files: DiscFile | None) -> list[DiscFile]:
    return [file for file in files if file is not None]


class _PlannedFiles(MadeSequence[PlannedFile]):
    def __init__(self, files: Iterable[DiscFile]) -> None:
        self._files = list(files)

    def __len__(self) -> int:
        return len(self._files)

    def make(self, place: int) -> PlannedFile:
        file = self._files[place]
        return PlannedFile(
            file.short_path,
            file.long_path,
            file.source,
            file.own.size,
            file.modified,
            file.own.equal_to is not None,
        )
