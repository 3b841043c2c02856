"""A disc before it is written: every name, place, date and size, and what is wrong with it.

A plan yields the same :class:`DiscFacts` as the finished image, so whoever judges
images can judge plans.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import NamedTuple

from mediashelf.building.boot import PlannedBoot, plan_boot
from mediashelf.building.capacity import Capacity
from mediashelf.building.clock import date_disc, moment
from mediashelf.building.index_page import render_index
from mediashelf.building.layout import Layout, lay_out
from mediashelf.building.names import Label, iso_label, long_label
from mediashelf.building.naming_trees import (
    BOOT_CATALOG,
    BOOT_IMAGE,
    INDEX_PAGE,
    NamedTrees,
    name_trees,
)
from mediashelf.building.plan_checks import check_depth, check_files, check_label, check_layout
from mediashelf.building.planned_facts import planned_facts
from mediashelf.building.recipe import Recipe
from mediashelf.building.sharing import share_equal
from mediashelf.building.sources import read_sources
from mediashelf.building.tree import Content, DiscFile, date_folders
from mediashelf.errors import BlockedError
from mediashelf.findings import Finding, Severity
from mediashelf.formats.volume import SECTOR_SIZE, DiscFacts
from mediashelf.text import count_text

IMPOSSIBLE = frozenset({"file-too-large", "too-many-folders"})
"""Rules whose errors no wish can override: such a disc cannot be written down."""


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


@dataclass(frozen=True, slots=True)
class DiscPlan:
    """A disc that can be built: sizes are in bytes, ``size`` is exactly that of the image.

    ``source_size`` adds up all files, ``shared_size`` those bytes that equal
    files before them hold already. ``made`` is the date of the disc.
    """

    recipe: Recipe
    label: Label
    made: datetime
    facts: DiscFacts
    findings: tuple[Finding, ...]
    files: tuple[PlannedFile, ...]
    folder_count: int
    source_size: int
    shared_size: int
    layout: Layout = field(repr=False)
    trees: NamedTrees = field(repr=False)
    boot: PlannedBoot | None = field(repr=False)
    index: DiscFile | None = field(repr=False)
    catalog: DiscFile | None = field(repr=False)
    sources: tuple[DiscFile, ...] = field(repr=False)

    @property
    def size(self) -> int:
        """Bytes of the finished image."""
        return self.layout.size

    @property
    def capacity(self) -> Capacity:
        """What the disc must fit on."""
        return self.recipe.capacity

    def iter_files(self) -> Iterator[DiscFile]:
        """Yield the files as the builder knows them, those that are made last."""
        yield from self.sources
        yield from _there(self.index, self.catalog)

    @property
    def content_size(self) -> int:
        """Bytes that are read from the sources; read-back reads as many again."""
        return sum(content.size for content in self.layout.contents)


def plan_disc(recipe: Recipe, *, on_bytes: Callable[[int], None] = lambda count: None) -> DiscPlan:
    """List the sources and decide everything about the disc; nothing is written.

    Files are read only where their size occurs more than once; ``on_bytes`` is
    called with the number of bytes just read.

    Raises :class:`InputError` when a source folder or the boot image is not
    there, and :class:`BuildError` when a file changes while it is looked at.
    What is wrong with the sources or the disc is in the plan's findings.
    """
    root, findings = read_sources(recipe.folders)
    listed = tuple(root.iter_files())
    boot = plan_boot(recipe.boot) if recipe.boot is not None else None
    boot_file = boot.as_file(BOOT_IMAGE) if boot else None
    sources = (*_there(boot_file), *listed)
    date = date_disc(sources)
    date_folders(root, date)
    contents = [file.own for file in sources]
    share_equal(contents, on_bytes=on_bytes)

    label = Label(iso_label(recipe.label), long_label(recipe.label))
    index = DiscFile(INDEX_PAGE, "", Content("", 0), date) if recipe.index else None
    catalog = DiscFile(BOOT_CATALOG, "", Content("", SECTOR_SIZE), date) if boot else None
    trees = name_trees(root, _there(boot_file, catalog, index))
    if index is not None:
        index.own.size = len(render_index(recipe.label, trees))
    layout = lay_out(
        trees, boot=boot.content if boot else None, catalog=catalog.own if catalog else None
    )
    boot_facts = boot.facts(catalog.own) if boot and catalog else None
    findings += check_label(recipe.label, label)
    findings += boot.check() if boot else []
    findings += check_layout(layout, recipe.capacity)
    findings += check_depth(trees)
    findings += check_files(listed, trees)
    return DiscPlan(
        recipe=recipe,
        label=label,
        made=moment(date),
        facts=planned_facts(layout, label, moment(date), boot_facts),
        findings=tuple(findings),
        files=_planned_files([*sources, *_there(index, catalog)]),
        folder_count=len(layout.joliet) - 1,
        source_size=sum(content.size for content in contents),
        shared_size=sum(content.size for content in contents if content.equal_to is not None),
        layout=layout,
        trees=trees,
        boot=boot,
        index=index,
        catalog=catalog,
        sources=sources,
    )


def _there(*files: DiscFile | None) -> list[DiscFile]:
    return [file for file in files if file is not None]


def _planned_files(files: Iterable[DiscFile]) -> tuple[PlannedFile, ...]:
    return tuple(
        PlannedFile(
            file.short_path,
            file.long_path,
            file.source,
            file.own.size,
            file.modified,
            file.own.equal_to is not None,
        )
        for file in sorted(files, key=lambda file: file.long_path)
    )


def blocking(findings: Iterable[Finding], *, anyway: bool = False) -> list[Finding]:
    """Return the findings that keep a disc from being built: the errors.

    With ``anyway`` only those count that make the disc impossible.
    """
    return [
        finding
        for finding in findings
        if finding.severity is Severity.ERROR and (not anyway or finding.rule in IMPOSSIBLE)
    ]


def refuse_blocked(blockers: Sequence[Finding]) -> None:
    """Raise :class:`BlockedError` when there is anything that keeps a disc from being built."""
    if not blockers:
        return
    first = blockers[0]
    way_out = (
        "this cannot be overridden"
        if any(finding.rule in IMPOSSIBLE for finding in blockers)
        else "mend what is wrong, or have the disc built anyway"
    )
    raise BlockedError(
        f"nothing was built because of {count_text(len(blockers), 'error')}, "
        f"first {first.where}: {first.message}; {way_out}"
    )
