"""Look for driver packages inside the images on shelves, once for each content."""

from __future__ import annotations

from collections.abc import Generator, Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass
from importlib.util import find_spec

from mediashelf.catalogue.packages.store import (
    DEEP,
    PLAIN,
    digest_of,
    forget_closed_for,
    forget_unused,
    not_looked_into,
    record_packages,
)
from mediashelf.catalogue.rows import ImageRow, kept_number
from mediashelf.catalogue.store import Catalogue
from mediashelf.drivers.packages.finding import find_packages
from mediashelf.drivers.packages.tree import PackageTree, TreeFile, tree_of_disc
from mediashelf.drivers.recorded import KeptPackage, keep_packages
from mediashelf.drivers.recorded_others import KeptOther, keep_others
from mediashelf.errors import MediashelfError
from mediashelf.findings import Finding
from mediashelf.jobs.progress import OnAmount
from mediashelf.trees.disc import DiscTree
from mediashelf.trees.members import NEEDS_LIBRARY
from mediashelf.trees.opening import iter_gaps, iter_trees, open_tree
from mediashelf.trees.tree import Tree

_CUT = "it names more devices, sections or files than are kept; the first ones were"


@dataclass(slots=True)
class PackageScan:
    """What came of it so far; it grows while images are looked into."""

    image_count: int = 0
    package_count: int = 0


def look_into_images(
    catalogue: Catalogue,
    rows: Sequence[ImageRow],
    *,
    is_deep: bool = False,
    on_image: OnAmount = lambda count: None,
) -> PackageScan:
    """Record the packages of those images that were not looked into; each is kept by itself.

    With ``is_deep`` archives inside the images are opened as well, which takes as long
    as reading them whole.
    """
    scan = PackageScan()
    reader = DEEP if is_deep else PLAIN
    forget_unused(catalogue.db)
    if find_spec("libarchive") is not None:
        forget_closed_for(catalogue.db, NEEDS_LIBRARY, reader)
    for row in not_looked_into(catalogue.db, rows, reader):
        unopened: list[str] = []
        kept = list(_packages_in(row, unopened, is_deep=is_deep))
        if _is_as_recorded(row):
            digest = digest_of(row)
            scan.package_count += record_packages(catalogue.db, digest, reader, kept, unopened)
            scan.image_count += 1
        on_image(1)
    return scan


def _is_as_recorded(row: ImageRow) -> bool:
    """Whether the file is still the one whose digest is on record, as far as its date tells."""
    try:
        status = row.file.stat()
    except OSError:
        return False
    return (status.st_size, kept_number(status.st_mtime_ns)) == (row.size, row.mtime_ns)


def _packages_in(
    row: ImageRow, unopened: list[str], *, is_deep: bool
) -> Iterator[KeptPackage | KeptOther]:
    """Yield the packages of an image; what cannot be opened is added with its place in it."""
    start = str(row.file)
    try:
        with open_tree(row.file) as whole, closing(_trees(whole, is_deep=is_deep)) as trees:
            for tree in trees:
                if isinstance(tree, Finding):
                    unopened.append(f"{tree.where.removeprefix(start)}: {tree.message}")
                    continue
                seen = _package_tree(tree, start)
                found = find_packages(seen)
                closed = [
                    f"{one.where.removeprefix(start)}: {one.message}" for one in iter_gaps(tree)
                ]
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


def _trees(whole: Tree, *, is_deep: bool) -> Generator[Tree | Finding, None, None]:
    if is_deep:
        yield from iter_trees(whole)
    else:
        yield whole


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

    return PackageTree(tree.where, "archive", files, read, prefix=prefix)
