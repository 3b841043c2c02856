"""Floppies that belong together: their setup texts name each other by tag files.

A text with several disks ([SourceDisksNames] of an INF, [Disks] of a TXTSETUP.OEM) names a file
for each that is on no other. Where the floppies at hand have these files, one apiece, what
asks for a disk finds it in the folder that all were put into: INF SourceDisksNames
section; TxtSetup.oem File Format.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

from msgspec import Struct
from msgspec.structs import replace

from mediashelf.building.recipes.recipe import Recipe
from mediashelf.errors import InputError
from mediashelf.trees.as_image import is_archive
from mediashelf.trees.floppy import FloppyTree
from mediashelf.trees.members import Parts
from mediashelf.trees.opening import open_tree
from mediashelf.trees.tree import Tree

_LONGEST_TEXT = 1 << 20


class _FloppyTexts(Struct, frozen=True):
    """One floppy: the paths of its files in lower case, and the tags that each text names."""

    number: int
    paths: frozenset[str]
    tags: tuple[frozenset[str], ...]


def join_floppies(recipe: Recipe) -> Recipe:
    """Return the recipe with the floppies of one set going to one place; sets are told by tags.

    That is the place of the first of them, or the root if there is nothing else on the disc.
    """
    if len(recipe.folders) < 2:
        return recipe
    folders = list(recipe.folders)
    for group in _sets(_texts([source.path for source in folders])):
        to: Parts = () if len(group) == len(folders) else folders[group[0]].to
        for number in group:
            folders[number] = replace(folders[number], to=to)
    return replace(recipe, folders=tuple(folders))


def group_floppies(paths: Sequence[Path]) -> list[tuple[Path, ...]]:
    """Return the paths, those of a set of floppies together in the place of the first."""
    sets = list(_sets(_texts(paths))) if len(paths) > 1 else []
    first = {group[0]: group for group in sets}
    later = {number for group in sets for number in group[1:]}
    groups = (first.get(number, [number]) for number in range(len(paths)) if number not in later)
    return [tuple(paths[number] for number in group) for group in groups]


def _texts(paths: Sequence[Path]) -> list[_FloppyTexts]:
    found = (_look(number, path) for number, path in enumerate(paths))
    return [one for one in found if one is not None]


def _look(number: int, path: Path) -> _FloppyTexts | None:
    """Return what a source says of disks, None for what is not a floppy."""
    if path.is_dir():
        return None
    try:
        if not is_archive(path):
            return None
        with open_tree(path) as tree:
            if not isinstance(tree, FloppyTree):
                return None
            paths = frozenset(member.path.lower() for member in tree.members if member.is_file)
            return _FloppyTexts(number, paths, tuple(_tags(tree)))
    except InputError:
        return None  # whoever lists it says why


def _tags(tree: Tree) -> Iterator[frozenset[str]]:
    # Loaded only with floppies among several sources: it takes as long as a small disc.
    from mediashelf.formats.inf.document import parse_inf
    from mediashelf.formats.inf.source_files import EVERY_SUFFIX, join_path, source_disks
    from mediashelf.formats.inf.text_setup import parse_text_setup

    for member in tree.members:
        name = member.name.lower()
        if not member.is_file or not name.endswith((".inf", ".oem")):
            continue
        try:
            data = tree.read(member, _LONGEST_TEXT)
        except InputError:
            continue
        if name.endswith(".oem"):
            setup = parse_text_setup(data.decode("cp1252", "replace"))
            tags = set(setup.tags) if setup is not None else set()
        else:
            inf = parse_inf(data)
            tags = {
                join_path(disk.tag)
                for suffix in EVERY_SUFFIX
                for disk in source_disks(inf, suffix)
                if disk.tag
            }
        if len(tags) > 1:
            yield frozenset(tag.lower() for tag in tags)


def _sets(floppies: Sequence[_FloppyTexts]) -> Iterator[list[int]]:
    """Yield the numbers of floppies that one text names, each by a tag that no other has."""
    taken: set[int] = set()
    for tags in dict.fromkeys(tags for floppy in floppies for tags in floppy.tags):
        owners = [[one.number for one in floppies if tag in one.paths] for tag in sorted(tags)]
        found = sorted({numbers[0] for numbers in owners if len(numbers) == 1})
        is_clear = all(len(numbers) <= 1 for numbers in owners)
        if is_clear and len(found) > 1 and not taken & set(found):
            taken.update(found)
            yield found
