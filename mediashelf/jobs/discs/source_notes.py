"""What a person should know of the sources of a recipe, and what blocks nothing."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator

from mediashelf.building.planning.listing import Listing
from mediashelf.building.recipes.recipe import Recipe
from mediashelf.findings import Finding, Severity
from mediashelf.formats.inf.rules import driver_page
from mediashelf.jobs.discs.unopened import ListingTree, check_unopened
from mediashelf.text import count_text
from mediashelf.trees.wrappings import may_be_wrapping

_LEFTOVERS = frozenset((".ds_store", "thumbs.db", "desktop.ini", "ehthumbs.db"))
"""Files that desktops leave in folders that they have shown (common practice)."""


def check_sources(recipe: Recipe, listing: Listing) -> Iterator[Finding]:
    """Yield what the sources lack, what nobody put there, and what is still packed."""
    counts: defaultdict[int, int] = defaultdict(int)
    leftovers: defaultdict[str, list[str]] = defaultdict(list)
    for file in listing.files:
        counts[file.origin] += 1
    if any(_is_leftover(file.name) for file in listing.files):
        for path, file in listing.iter_paths():
            if _is_leftover(file.name):
                name = "._*" if file.name.startswith("._") else file.name
                leftovers[name].append(path)
    for number, source in enumerate(recipe.folders):
        if not counts[number]:
            is_picked = bool(source.only or source.skip)
            yield Finding(
                "source-without-files",
                Severity.NOTE,
                str(source.path),
                "no file is taken from it" if is_picked else "it has no files",
                "check only and skip" if is_picked else "check the path, or leave it out",
            )
    for name, paths in sorted(leftovers.items()):
        yield Finding(
            "leftover-files",
            Severity.NOTE,
            paths[0],
            f"{count_text(len(paths), 'file')} named {name}: "
            "left by a desktop, no part of the disc",
            f'skip = ["{name}"] in the recipe leaves such files out',
            "common practice",
        )
    if recipe.path is None:
        yield from _joined(recipe)
    if any(may_be_wrapping(file.name) for file in listing.files):
        yield from check_unopened(ListingTree(listing))


def _is_leftover(name: str) -> bool:
    return name.startswith("._") or name.lower() in _LEFTOVERS


def _joined(recipe: Recipe) -> Iterator[Finding]:
    """Yield which floppies go to one place: of several sources only those of a set do."""
    places: defaultdict[tuple[str, ...], list[str]] = defaultdict(list)
    for source in recipe.folders:
        places[source.to].append(str(source.path))
    for to, paths in places.items():
        if len(paths) > 1:
            yield Finding(
                "floppies-joined",
                Severity.NOTE,
                "/" + "/".join(to),
                f"{', '.join(paths)} are one set: a setup text names each by its tag file, so "
                "their files go to one folder",
                "name each with a 'to' of its own in a recipe if that is not meant",
                driver_page("INF SourceDisksNames section"),
            )
