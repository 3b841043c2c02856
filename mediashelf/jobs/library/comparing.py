"""Two images, folders or archives, opened alike and compared."""

from __future__ import annotations

import os
from collections.abc import Sequence
from contextlib import ExitStack
from pathlib import Path

from msgspec.structs import replace

from mediashelf.errors import InputError
from mediashelf.formats.volume import VolumeKind
from mediashelf.integrity.comparing.discs import compare_sectors, fact_differences
from mediashelf.integrity.comparing.entries import compare_trees
from mediashelf.integrity.comparing.values import (
    ComparedSide,
    Comparison,
    FactDifference,
    SectorsAlike,
    SectorsCompared,
)
from mediashelf.jobs.progress import OnAmount, Progress, no_progress
from mediashelf.trees.columns import MemberColumns
from mediashelf.trees.disc import DiscTree
from mediashelf.trees.members import TreeMember
from mediashelf.trees.opening import open_tree
from mediashelf.trees.tree import Tree

_LONGEST_NAMES = (VolumeKind.ROCKRIDGE, VolumeKind.UDF, VolumeKind.JOLIET, VolumeKind.ISO9660)


def compare_places(
    places: tuple[str | Path, str | Path],
    *,
    names: tuple[str, str],
    kinds: Sequence[VolumeKind] = (),
    progress: Progress = no_progress,
) -> Comparison:
    """Compare what is at two places, which are called by ``names``.

    ``kinds`` asks for trees of discs: one for both, or one for each. Without it discs are
    compared by a kind of tree that both have. Raises :class:`InputError` where one
    cannot be opened, or changes meanwhile.
    """
    wanted = (*kinds, *kinds[-1:])[:2] if kinds else (None, None)
    with ExitStack() as opened:
        one, other = (_opened(*each, opened) for each in zip(places, wanted, strict=True))
        common = None if kinds else _common_kind(one, other)
        if common is not None:
            opened.close()
            del one, other  # no more than two are in memory
            one, other = (_opened(place, common, opened) for place in places)
        found = _compare(one, other, names, progress)
    return replace(found, is_one_file=_is_one_file(*places))


def _opened(place: str | Path, kind: VolumeKind | None, opened: ExitStack) -> Tree:
    """Open one side; of a disc the compared tree alone stays in memory."""
    tree = opened.enter_context(open_tree(place, kind=kind))
    if isinstance(tree, DiscTree):
        tree.let_go_of_other_volumes()
    return tree


def _is_one_file(first: str | Path, second: str | Path) -> bool:
    try:
        return os.path.samefile(first, second)  # noqa: PTH121 - of names that may be no files
    except (OSError, ValueError):
        return False  # a folder in an image, as a rule


def _common_kind(one: Tree, other: Tree) -> VolumeKind | None:
    """Return the kind of tree to compare two discs by, None where they are opened so already."""
    if not (isinstance(one, DiscTree) and isinstance(other, DiscTree)):
        return None
    if one.volume.kind is other.volume.kind:
        return None
    kinds = [
        {volume.kind for volume in tree.image.facts.volumes if volume.entries_read}
        for tree in (one, other)
    ]
    return next((kind for kind in _LONGEST_NAMES if kind in kinds[0] & kinds[1]), None)


def _compare(one: Tree, other: Tree, names: tuple[str, str], progress: Progress) -> Comparison:
    # Files of which only one has the name are mostly not read.
    total = sum(map(_size_of, (one.members, other.members)))
    if isinstance(one, DiscTree) and isinstance(other, DiscTree):
        total += one.image.view.size + other.image.view.size
    with progress("comparing", total=total) as on_bytes:
        return _compare_opened(one, other, names, on_bytes)


def _compare_opened(
    one: Tree, other: Tree, names: tuple[str, str], on_bytes: OnAmount
) -> Comparison:
    sectors: SectorsCompared | None = None
    facts: tuple[FactDifference, ...] = ()
    if isinstance(one, DiscTree) and isinstance(other, DiscTree):
        try:
            sectors = compare_sectors(one.image.view, other.image.view, on_bytes=on_bytes)
            facts = tuple(fact_differences(one, other))
        except OSError as error:
            raise InputError(
                f"{names[0]} or {names[1]}: cannot be read: {error.strerror or error}"
            ) from error
    is_same_volume = _kind(one) is not None and _kind(one) is _kind(other)
    trees = compare_trees(
        one,
        other,
        # Names of ISO 9660 are upper case whatever the files were called (ECMA-119 7.4.1).
        is_case_told=is_same_volume or VolumeKind.ISO9660 not in (_kind(one), _kind(other)),
        are_bytes_equal=is_same_volume
        and sectors is not None
        and sectors.alike is not SectorsAlike.DIFFERENT,
        on_bytes=on_bytes,
    )
    return Comparison(
        _side(names[0], one),
        _side(names[1], other),
        trees,
        facts,
        sectors,
        (*one.findings, *other.findings),
    )


def _size_of(members: Sequence[TreeMember]) -> int:
    sizes = members.sizes if isinstance(members, MemberColumns) else (one.size for one in members)
    return sum(sizes)


def _kind(tree: Tree) -> VolumeKind | None:
    return tree.volume.kind if isinstance(tree, DiscTree) else None


def _side(name: str, tree: Tree) -> ComparedSide:
    size = None if tree.file is None else tree.file.size
    return ComparedSide(name, tree.form, size, len(tree.members))
