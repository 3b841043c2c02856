"""The packages in a recipe's sources, one at a time: what each needs, where no machine is known.

A package's texts are read, judged and let go, so that memory does not grow with their number.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from typing import NamedTuple

from mediashelf.building.planning.listing import Listing
from mediashelf.building.recipes.recipe import Recipe
from mediashelf.drivers.packages.completeness import FileFinder
from mediashelf.drivers.packages.families import Family, choose_family
from mediashelf.drivers.packages.finding import (
    Package,
    find_packages,
    sections_to_check,
    suitability,
)
from mediashelf.drivers.packages.tree import PackageTree, TreeFile
from mediashelf.formats.inf.document import Inf, InfKind
from mediashelf.formats.inf.requirements import Requirements, requirements
from mediashelf.formats.inf.source_files import CopyLine, copy_lines, join_path, source_tables
from mediashelf.formats.inf.text.columns import may_have
from mediashelf.jobs.discs.source_trees import sources_tree
from mediashelf.jobs.driver_families import families_of
from mediashelf.jobs.progress import Progress, no_progress
from mediashelf.package_names import INF_SUFFIX
from mediashelf.readability.targets import Target

_NO_DEVICE: frozenset[str] = frozenset()
_FURTHER = (b"include", b"needs", b"copyinf", b"layoutfile")
"""Keys that lead to other INFs."""

_COPY = "copyfiles"
_LOWERED = bytes(range(256)).lower()
_OTHERS = bytes(set(range(256)) - set(b"abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ\n"))
_TOGETHER = 64
"""INFs that are kept at once, unless more of them may refer to each other."""


class PackageFiles(NamedTuple):
    """An INF by its path under the names of the host, what it is, and the files that it asks for.

    ``needed`` are paths as well, and only those of files that are there; those in the folder
    of the INF and below may be left out.
    """

    inf: str
    kind: InfKind
    needed: tuple[str, ...] = ()


def iter_source_packages(
    recipe: Recipe,
    listing: Listing,
    targets: Sequence[Target],
    *,
    progress: Progress = no_progress,
) -> Iterator[PackageFiles]:
    """Yield the packages in the sources of a recipe as its targets see them, with no machine."""
    families = [choose_family(name) for name in families_of(targets).values()]
    return iter_packages(sources_tree(recipe, listing), families, progress=progress)


def iter_packages(
    tree: PackageTree, families: Iterable[Family], *, progress: Progress = no_progress
) -> Iterator[PackageFiles]:
    """Yield every INF that can be read, with what any of the families needs for it."""
    families = tuple(families)
    contained: set[str] = set()

    def ask(package: Package) -> None:  # while its text is at hand
        if _is_self_contained(package.inf, FileFinder(package), families):
            contained.add(package.file.path)

    with progress("reading INFs", unit="INF") as on_inf:
        for group in _groups(tree):
            found = find_packages(tree, files=group, ask=ask, on_inf=on_inf)
            for package in found.packages:
                path = package.file.path
                needed = () if path in contained else dict.fromkeys(_needed(package, families))
                yield PackageFiles(path, package.inf.kind, tuple(needed))
            for other in found.others:
                yield PackageFiles(other.file.path, other.inf.kind)


def _needed(package: Package, families: Iterable[Family]) -> Iterator[str]:
    finder = FileFinder(package)
    seen: list[Requirements] = []  # most families need the very same
    for family in families:
        suited = suitability(package, family, _NO_DEVICE)
        system, installs = sections_to_check(package, family, suited)
        if not installs:
            continue
        needed = requirements(package.inf, installs, system, package.companions)
        if not any(needed is other for other in seen):
            seen.append(needed)
            checks = (finder.check(file) for file in needed.files)
            yield from (one.path for one in checks if one.state.is_there)


def _is_self_contained(inf: Inf, finder: FileFinder, families: Iterable[Family]) -> bool:
    """Whether no section at all asks for a file that is found outside the INF's folder.

    Most INFs are so, and then it does not matter which sections a family reads. What leads
    to other INFs or into cabinets is left to whoever follows it.
    """
    sections = inf.sections.values()
    # Only plain texts are at hand. As a text is, a key may have quotes anywhere.
    text = inf.text or "\n".join([entry.key for one in sections for entry in one.entries])
    letters = text.encode("utf-8", "surrogatepass").translate(_LOWERED, _OTHERS)
    if any(word in letters for word in _FURTHER):
        return False
    sources = {line.source for line in _copied(inf, letters.count(_COPY.encode()))}
    for suffixes in {family.system.source_suffixes for family in families}:
        tables = source_tables(inf, suffixes)
        for source in sources:
            file = tables.files.get(source.lower())
            disk = tables.disks.get(file.disk_id) if file else None
            path = join_path(disk.path if disk else "", file.path if file else "", source)
            found = finder.find_file(path)
            if found is None and disk and (disk.cabinet or disk.tag):
                return False
            if found is not None and not finder.is_below(found.path):
                return False
    return True


def _copied(inf: Inf, left: int) -> Iterator[CopyLine]:
    """Yield what any section copies; the text has the key ``left`` times, if no line goes on."""
    lists_seen: set[str] = set()
    # The lists of devices and of strings are the longest: mostly they are not asked.
    for section in sorted(inf.sections.values(), key=lambda section: len(section.text)):
        text = section.text
        if (text and not left and section.has_whole_lines) or not may_have(section, _COPY):
            continue
        left -= text.lower().count(_COPY)
        for entry in section.all(_COPY):
            yield from copy_lines(inf, entry, lists_seen)


def _groups(tree: PackageTree) -> Iterator[list[TreeFile]]:
    """Yield INFs; those that may refer to each other, of a folder and all below it, together."""
    infs = list(tree.iter_ending((INF_SUFFIX,)))
    folders = {file.path.lower().rpartition("/")[0] for file in infs}
    groups: defaultdict[str, list[TreeFile]] = defaultdict(list)
    for file in infs:
        parts = file.path.lower().split("/")[:-1]
        above = ("/".join(parts[:count]) for count in range(1, len(parts) + 1))
        groups[next(folder for folder in above if folder in folders)].append(file)
    together: list[TreeFile] = []
    for group in groups.values():
        together += group
        if len(together) >= _TOGETHER:
            yield together
            together = []
    yield together
