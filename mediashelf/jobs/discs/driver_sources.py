"""Planned discs and images as the trees that a target sees."""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from operator import attrgetter
from pathlib import Path
from typing import NamedTuple

from mediashelf.building.planning.disc_plan import DiscPlan
from mediashelf.building.sources.reading import read_start
from mediashelf.drivers.packages.families import Family
from mediashelf.drivers.packages.finding import PackagesFound
from mediashelf.drivers.packages.tree import PackageTree, Provides, TreeFile, tree_of_disc
from mediashelf.drivers.survey import Survey
from mediashelf.findings import Finding, Severity
from mediashelf.formats.volume import Entry, VolumeKind
from mediashelf.image import DiscImage, open_image
from mediashelf.jobs.discs.placed_files import PlacedFiles
from mediashelf.jobs.discs.source_trees import lasting_place
from mediashelf.jobs.discs.unopened import check_unopened
from mediashelf.readability.targets import Target
from mediashelf.trees.disc import DiscTree
from mediashelf.trees.members import Bounds

_PLANNED_KINDS = (VolumeKind.JOLIET, VolumeKind.ISO9660)


class SurveyedDiscs(NamedTuple):
    """What one target finds on the discs: its survey, what was read for it, what is wrong."""

    survey: Survey
    founds: list[tuple[PackageTree, PackagesFound]]
    findings: tuple[Finding, ...]


class Source:
    """One planned disc or image; ``findings`` are those of its plan or its reader."""

    def __init__(self, name: str, findings: list[Finding]) -> None:
        self.name = name
        self.findings = findings

    def tree_for(self, target: Target) -> PackageTree | None:
        """Return what ``target`` sees, None when it reads nothing of it."""
        raise NotImplementedError

    def surveyed(self, target: Target, family: Family) -> SurveyedDiscs | None:
        """Return what ``target`` finds for the machine where that is known already."""
        return None


class PlannedSource(Source):
    """A planned disc, under the names that it has once it is built."""

    def __init__(
        self,
        name: str,
        plan: DiscPlan,
        findings: Iterable[Finding] = (),
        by_target: Mapping[str, SurveyedDiscs] | None = None,
    ) -> None:
        super().__init__(name, list(findings))
        self._plan = plan
        self._by_target = by_target or {}

    def tree_for(self, target: Target) -> PackageTree | None:
        return tree_of_plan(self.name, self._plan, target)

    def surveyed(self, target: Target, family: Family) -> SurveyedDiscs | None:
        known = self._by_target.get(target.name)
        return known if known is not None and known.survey.family == family else None


def tree_of_plan(name: str, plan: DiscPlan, target: Target) -> PackageTree | None:
    """Return what ``target`` will see of a planned disc, None when it reads no tree of it."""
    kind = next((kind for kind in target.trees if kind in _PLANNED_KINDS), None)
    if kind is None:
        return None
    is_long = kind is VolumeKind.JOLIET
    every = sorted(plan.iter_files(), key=attrgetter("long_path"))
    trees = [
        (map(attrgetter(f"{tree}_folder"), every), map(attrgetter(f"{tree}_name"), every))
        for tree in (("long", "short") if is_long else ("short", "long"))
    ]
    files = PlacedFiles(every, *trees)

    def read(file: TreeFile, limit: int) -> bytes:
        content = files.content(file)
        return b"" if content is None else read_start(content, limit)

    def lasting(file: TreeFile) -> Hashable:
        content = files.content(file)
        return None if content is None else lasting_place(content)

    def is_quick(file: TreeFile) -> bool:
        content = files.content(file)
        return content is not None and content.member is None

    provides = tuple(
        Provides(one.long_path if is_long else one.short_path, one.identifiers, one.targets)
        for one in plan.declared
    )
    return PackageTree(name, kind.value, files, read, provides, "", lasting, is_quick)


class OpenedImageSource(Source):
    """An opened image."""

    def __init__(self, image: DiscImage) -> None:
        self._image = image
        # The reader's own findings are for the audit; here it counts whether files may lack.
        findings = list(image.findings) if not image.facts.volumes else []
        findings += [
            Finding(
                "listing-incomplete",
                Severity.WARNING,
                f"{image.path} ({volume.kind.value})",
                "Not every file of this tree could be listed",
                "audit the image: what seems to be missing may be there",
            )
            for volume in image.facts.volumes
            if not volume.is_complete
        ]
        if any(volume.entries_read for volume in image.facts.volumes):
            findings += check_unopened(DiscTree(str(image.path), image, Bounds()))
        super().__init__(str(image.path), findings)

    def tree_for(self, target: Target) -> PackageTree | None:
        return tree_of_disc(self.name, self._image.facts, target.trees, self._read)

    def _read(self, entry: Entry, limit: int) -> bytes:
        return self._image.read_file(entry, limit)


@contextmanager
def open_image_source(path: Path) -> Iterator[Source]:
    """Open an image; raises what its reader raises."""
    with open_image(path) as image:
        yield OpenedImageSource(image)
