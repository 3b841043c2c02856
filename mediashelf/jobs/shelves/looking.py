"""Look for driver packages inside an image: what is kept of each, and what cannot be opened."""

from __future__ import annotations

from collections.abc import Callable, Generator, Iterable, Iterator, Sequence
from contextlib import closing
from pathlib import Path

from mediashelf.catalogue.packages.looked_into import PackagesSeen
from mediashelf.drivers.packages.finding import find_packages
from mediashelf.drivers.packages.tree import PackageTree, TreeFile, tree_of_disc
from mediashelf.drivers.recorded import keep_packages
from mediashelf.drivers.recorded_others import KeptOther, keep_others
from mediashelf.drivers.recorded_values import KeptPackage
from mediashelf.errors import MediashelfError
from mediashelf.findings import Finding
from mediashelf.formats.entries import iter_folders
from mediashelf.formats.volume import Entry
from mediashelf.image import DiscImage
from mediashelf.trees.disc import DiscTree, fullest_volume
from mediashelf.trees.inside import iter_gaps, iter_trees
from mediashelf.trees.members import Bounds
from mediashelf.trees.opening import open_tree
from mediashelf.trees.tree import Tree
from mediashelf.trees.wrappings import Wrapping, detect_wrapping

_CUT = "it names more devices, sections or files than are kept; the first ones were"

_FEW_INFS = 500
"""A disc with more is looked into by itself: readings that wait together are held in memory."""


def packages_in(
    file: Path, unopened: list[str], *, is_deep: bool
) -> Iterator[KeptPackage | KeptOther]:
    """Yield the packages of an image; what cannot be opened is added with its place in it."""

    def trees() -> Generator[Tree | Finding, None, None]:
        with open_tree(file) as whole:
            yield from iter_trees(whole) if is_deep else (whole,)

    return _packages_of(str(file), trees, unopened)


def packages_of(image: DiscImage, *, is_plain: bool = False) -> PackagesSeen | None:
    """Return what :func:`packages_in` finds in an image that is open, None where it is to look.

    ``is_plain`` tells that this is a disc, and every file of its trees can be read.
    """
    if not image.facts.volumes or not (is_plain or _is_disc(image)):
        return None
    most = max(image.facts.volumes, key=lambda volume: len(volume.entries))
    if len(most.entries) > _FEW_INFS and _inf_count(most.entries) > _FEW_INFS:
        return None

    where = str(image.path)

    def trees() -> Generator[Tree | PackageTree, None, None]:
        yield _plain_tree(where, image) if is_plain else DiscTree(where, image, Bounds())

    unopened: list[str] = []
    kept = tuple(_packages_of(where, trees, unopened))
    return PackagesSeen(kept, tuple(unopened))


def _inf_count(entries: Sequence[Entry]) -> int:
    names = (name for folder in iter_folders(entries) for name in folder.identifiers)
    return sum(name.lower().endswith((".inf", ".inf;1")) for name in names)


def _is_disc(image: DiscImage) -> bool:
    try:
        return detect_wrapping(image.view) is Wrapping.DISC
    except (OSError, MediashelfError):
        return False


def _packages_of(
    start: str,
    opened: Callable[[], Generator[Tree | PackageTree | Finding, None, None]],
    unopened: list[str],
) -> Iterator[KeptPackage | KeptOther]:
    try:
        with closing(opened()) as trees:
            for tree in trees:
                if isinstance(tree, Finding):
                    unopened.append(f"{tree.where.removeprefix(start)}: {tree.message}")
                    continue
                gaps: Iterable[Finding] = ()
                if isinstance(tree, PackageTree):
                    seen = tree
                else:
                    seen, gaps = _package_tree(tree, start), iter_gaps(tree)
                found = find_packages(seen)
                closed = [f"{one.where.removeprefix(start)}: {one.message}" for one in gaps]
                unopened += closed or [f":{one.where}: {one.message}" for one in found.findings]
                yield from keep_others(seen, found)
                for package in keep_packages(seen, found):
                    if package.is_cut:
                        unopened.append(f":{package.path}: {_CUT}")
                    yield package
    except (OSError, MediashelfError) as error:
        unopened.append(": " + str(error).removeprefix(start).removeprefix(": "))
    except Exception as error:  # noqa: BLE001
        # A fault of ours at one image must not end the work on the others.
        words = f"internal error ({type(error).__name__}: {error}); please report it"
        unopened.append(f": {words}")


def _plain_tree(where: str, image: DiscImage) -> PackageTree:
    """Return the same as :func:`_package_tree` of a disc in which nothing can be a gap."""
    kind = fullest_volume(where, image.facts).kind
    seen = tree_of_disc(where, image.facts, (kind,), image.read_file)
    assert seen is not None
    return seen


def _package_tree(tree: Tree, start: str) -> PackageTree:
    """Return a tree as those that look for packages see it; paths begin below ``start``."""
    inside = tree.where.removeprefix(start).removeprefix(":")
    prefix = f"{inside}:" if inside else ""
    if isinstance(tree, DiscTree):
        facts, read_file = tree.image.facts, tree.image.read_file
        seen = tree_of_disc(tree.where, facts, (tree.volume.kind,), read_file, prefix=prefix)
        if seen is not None:
            return seen
    members = {f"/{one.path}": one for one in tree.members if one.is_file}
    files = tuple(
        TreeFile(path, one.size, is_cut=one.unreadable is not None) for path, one in members.items()
    )

    def read(file: TreeFile, limit: int) -> bytes:
        return tree.read(members[file.path], limit)

    def is_quick(file: TreeFile) -> bool:
        return False

    return PackageTree(tree.where, "archive", files, read, prefix=prefix, is_quick=is_quick)
