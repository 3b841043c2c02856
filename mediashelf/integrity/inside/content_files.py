"""The distinct files of a disc: each run of bytes once, whatever number of trees name it."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Protocol

from msgspec import Struct

from mediashelf.findings import Finding
from mediashelf.formats.fields import View
from mediashelf.formats.runs import NOWHERE, Run, RunsView
from mediashelf.formats.volume import HOLE, DiscFacts, Entry, VolumeFacts, VolumeKind
from mediashelf.integrity.inside.selfchecks.faults import Fault

MAX_OVERLAP = 8
"""How often, on average, each byte of an image is read before the entries count as hostile."""

# Long names tell a person more; the ISO tree often has only eight characters.
_NAMING_ORDER = (
    VolumeKind.ROCKRIDGE,
    VolumeKind.JOLIET,
    VolumeKind.UDF,
    VolumeKind.ISO9660,
)


class Image(Protocol):
    """What is needed of an opened image."""

    @property
    def view(self) -> View: ...

    @property
    def facts(self) -> DiscFacts: ...


class ContentFile(Struct, frozen=True):
    """One file: the path to show, and the runs of the image that hold its bytes."""

    path: str
    runs: tuple[Run, ...]

    @property
    def size(self) -> int:
        """Bytes over all runs, as recorded."""
        return sum(run.size for run in self.runs)


def volumes_by_name(facts: DiscFacts) -> list[VolumeFacts]:
    """Return the volumes, those with the most telling names first."""
    return sorted(facts.volumes, key=lambda volume: _NAMING_ORDER.index(volume.kind))


def runs_of(entry: Entry, block_size: int) -> tuple[Run, ...]:
    """Return where an entry's bytes are in the image."""
    return tuple(
        Run(NOWHERE, extent.size)
        if extent.lba == HOLE
        else Run(extent.lba * block_size + extent.offset, extent.size)
        for extent in entry.extents
    )


def distinct_files(facts: DiscFacts) -> list[ContentFile]:
    """Return the files that hold bytes, in the order of their places on the disc."""
    found: dict[tuple[Run, ...], str] = {}
    for volume in volumes_by_name(facts):
        for entry in volume.entries:
            if not entry.is_directory and entry.size:
                found.setdefault(runs_of(entry, volume.block_size), entry.path)
    files = [ContentFile(path, runs) for runs, path in found.items() if runs]
    return sorted(files, key=lambda file: file.runs)


class CountedView:
    """A file's bytes; reports what is read, in all just as much as the file has."""

    def __init__(self, view: View, file: ContentFile, on_bytes: Callable[[int], None]) -> None:
        self.runs = RunsView(view, file.runs)
        self._on_bytes = on_bytes
        self._left = file.size

    @property
    def size(self) -> int:
        return self.runs.size

    def read(self, offset: int, size: int) -> bytes:
        """Return up to ``size`` bytes from ``offset``; fewer only at the end."""
        data = self.runs.read(offset, size)
        self._count(len(data))
        return data

    def finish(self) -> None:
        """Report the bytes that did not have to be read."""
        self._count(self._left)

    def _count(self, size: int) -> None:
        size = min(size, self._left)
        if size:
            self._left -= size
            self._on_bytes(size)


def findings_of(fault: Fault, path: str, view: RunsView) -> Iterator[Finding]:
    """Turn a fault of a file into findings of the image, one for each run of bytes it touches."""
    places: list[Run | None] = list(view.iter_places(fault.offset, fault.size))
    if not places:  # beyond the end: what is missing has no place, the last byte is nearest
        places = list(view.iter_places(view.size - 1, 1)) or [None]
    for place in places:
        yield Finding(
            rule=fault.rule,
            severity=fault.severity,
            where=path,
            message=fault.message,
            remedy=fault.remedy,
            source=fault.source,
            found=fault.found,
            expected=fault.expected,
            offset=place.offset if place else None,
            length=place.size if place else None,
        )
