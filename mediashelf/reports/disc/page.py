"""A disc's own page: what is on it, where it fits, who reads it, and what is wrong."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from heapq import nsmallest
from typing import NamedTuple

from msgspec import Struct

from mediashelf.building.recipes.capacity import Capacity
from mediashelf.findings import Finding, Severity, summary, worst
from mediashelf.formats.entries import count_files
from mediashelf.formats.volume import SECTOR_SIZE, DiscFacts, VolumeFacts
from mediashelf.integrity.structure.damage import PLAIN_SECTORS
from mediashelf.readability.disc import TREE_WORDS
from mediashelf.reports.allowance import RowAllowance
from mediashelf.reports.disc.areas import DrawnArea, disc_areas
from mediashelf.reports.disc.both_trees import BothTrees
from mediashelf.reports.disc.tables import (
    CapacityBar,
    Coverage,
    CoverageTable,
    Renamed,
    capacity_bars,
    coverage_table,
)
from mediashelf.reports.disc.tiles import Tile, lay_tiles
from mediashelf.reports.finding_groups import FindingGroup, group_findings
from mediashelf.reports.pages import render_page
from mediashelf.text import count_text, size_text

WIDE, TALL = (832, 520), (360, 480)
"""Sizes of the two drawings of the areas: for screen and paper, and for a phone."""

LARGEST_SHOWN = 12
FOLDERS_SHOWN = 20
RENAMED_SHOWN = 1500
DEVICES_SHOWN = 300
FINDING_ROWS = 1500
PLACES_SHOWN = 12  # of one rule


class PartRow(NamedTuple):
    """A file or folder with its part of what is on the disc, in per cent."""

    path: str
    size: int
    file_count: int
    percent: float


class DiscPage(Struct, frozen=True):
    """All that the page says, in the order in which it says it."""

    title: str
    name: str
    created: str
    created_by: str
    headline: str
    mood: str
    facts: tuple[tuple[str, str], ...]
    capacities: tuple[CapacityBar, ...]
    wide: tuple[Tile, ...]
    tall: tuple[Tile, ...]
    drawn_tree: str
    shared: int
    largest: tuple[PartRow, ...]
    folders: tuple[PartRow, ...]
    folders_left_out: int
    coverage: tuple[CoverageTable, ...]
    renamed: tuple[Renamed, ...]
    renamed_count: int
    groups: tuple[FindingGroup, ...]


class DiscSubject(Struct, frozen=True):
    """What a page is made from. ``facts`` are those of an image or of a plan.

    ``name`` is the file or recipe; ``state`` says in words what was done and read.
    ``verdicts`` are pairs of target and phrase. ``asked`` is the capacity that the
    disc was made for. ``renamed`` None means: told from the facts; else they are the first of
    ``renamed_count``. ``long_paths`` has what each entry of the ISO tree is in the Joliet tree,
    nothing for folders; where it is None, places on the disc tell.
    """

    name: str
    facts: DiscFacts
    findings: Sequence[Finding] = ()
    state: str = ""
    verdicts: Sequence[tuple[str, str]] = ()
    asked: Capacity | None = None
    renamed: Sequence[Renamed] | None = None
    renamed_count: int = 0
    coverage: Sequence[Coverage] = ()
    long_paths: Iterable[str] | None = None


def disc_html(subject: DiscSubject, *, created: str, created_by: str) -> str:
    """Return the page of a disc as one self-contained HTML file; see :func:`disc_page`."""
    page = disc_page(subject, created=created, created_by=created_by)
    return render_page("disc.html", page=page, wide=WIDE, tall=TALL)


def disc_page(subject: DiscSubject, *, created: str, created_by: str) -> DiscPage:
    """Return what the page of a disc says.

    ``created`` is a moment in UTC, ISO 8601, and ``created_by`` names the program.
    """
    facts = subject.facts
    trees = BothTrees(facts, subject.long_paths)
    volume = trees.volume
    if subject.renamed is None:
        renamed, renamed_count = trees.first_renamed(RENAMED_SHOWN)
    else:
        renamed, renamed_count = list(subject.renamed), subject.renamed_count
    root, shared = DrawnArea("", "/", True), 0
    if volume is not None:
        root, shared = disc_areas(volume, trees.severities(subject.findings))
    del trees
    folders = [area for area in root.by_size() if area.is_folder]
    level = worst(subject.findings)
    return DiscPage(
        title=next((each.label for each in reversed(facts.volumes) if each.label), subject.name),
        name=subject.name,
        created=created.replace("T", " ").replace("Z", " UTC"),
        created_by=created_by,
        headline=summary(subject.findings).capitalize(),
        mood="sound" if level is None or level is Severity.NOTE else "damaged",
        facts=tuple(_facts(subject, root)),
        # Raw sectors are longer than those that media are counted in.
        capacities=() if facts.looks_raw else tuple(capacity_bars(facts.size, subject.asked)),
        wide=tuple(lay_tiles(root, *WIDE)),
        tall=tuple(lay_tiles(root, *TALL)),
        drawn_tree=TREE_WORDS.get(volume.kind, volume.kind.value) if volume is not None else "",
        shared=shared,
        largest=tuple(_parts(root, _largest(root))),
        folders=tuple(_parts(root, folders[:FOLDERS_SHOWN])),
        folders_left_out=max(0, len(folders) - FOLDERS_SHOWN),
        coverage=tuple(coverage_table(each, DEVICES_SHOWN) for each in subject.coverage),
        renamed=tuple(renamed),
        renamed_count=renamed_count,
        groups=group_findings(
            subject.findings,
            RowAllowance(FINDING_ROWS),
            places=PLACES_SHOWN,
            lbas=PLAIN_SECTORS.lbas,
        ),
    )


def _facts(subject: DiscSubject, root: DrawnArea) -> Iterator[tuple[str, str]]:
    facts = subject.facts
    sectors = f", {count_text(-(-facts.size // SECTOR_SIZE), 'sector')}"
    if facts.looks_raw:
        sectors = "; raw sectors, to be converted before an emulated drive can serve them"
    yield "Size", f"{size_text(facts.size)}, {facts.size:,} bytes{sectors}"
    if root.file_count:
        yield "Holds", f"{count_text(root.file_count, 'file')}, {size_text(root.size)} of contents"
    for volume in facts.volumes:
        yield _volume_name(volume), _volume_words(volume)
    if facts.boot is not None:
        ways = sum(entry.is_bootable for entry in facts.boot.entries)
        yield "Boots", count_text(ways, "way to boot", "ways to boot") if ways else "no"
    verdicts = dict(subject.verdicts)
    covered = {each.target: each for each in subject.coverage}
    for target in dict.fromkeys([*verdicts, *covered]):
        words = [verdicts[target]] if target in verdicts else []
        if target in covered:
            words.append(covered[target].summary)
        yield f"For {target}", "; ".join(words)
    if subject.state:
        yield "State", subject.state


def _volume_name(volume: VolumeFacts) -> str:
    return f"{volume.kind.words} tree"


def _volume_words(volume: VolumeFacts) -> str:
    label = f'"{volume.label}"' if volume.label else "no label"
    detail = f", {volume.detail}" if volume.detail else ""
    if not volume.entries_read:
        return f"{label}{detail}, contents not read"
    files = count_text(count_files(volume.entries), "file")
    whole = "" if volume.is_complete else "; some of it could not be read"
    return f"{label}{detail}, {files}{whole}"


def _largest(root: DrawnArea) -> list[DrawnArea]:
    return nsmallest(LARGEST_SHOWN, _iter_files(root), key=lambda file: (-file.size, file.path))


def _iter_files(root: DrawnArea) -> Iterator[DrawnArea]:
    waiting = [root]
    while waiting:
        folder = waiting.pop()
        waiting += folder.folders.values()
        yield from folder.iter_files()


def _parts(root: DrawnArea, areas: Iterable[DrawnArea]) -> Iterator[PartRow]:
    for area in areas:
        percent = round(100 * area.size / root.size, 1) if root.size else 0.0
        yield PartRow(area.path, area.size, area.file_count, percent)
