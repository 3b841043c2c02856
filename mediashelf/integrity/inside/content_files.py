"""The distinct files of a disc: each run of bytes once, whatever number of trees name it."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from heapq import merge
from typing import Protocol

from msgspec import Struct

from mediashelf.findings import Finding
from mediashelf.formats.entries import iter_folders
from mediashelf.formats.fields import View
from mediashelf.formats.runs import NOWHERE, Run, RunsView
from mediashelf.formats.volume import HOLE, DiscFacts, Extent, VolumeFacts, VolumeKind
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


_INDEX_BITS = 32  # the number of an entry in its tree
_ENTRY_BITS = 48  # with the number of the tree
_SIZE_BITS = 64


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


def runs_of(extents: Sequence[Extent], block_size: int) -> tuple[Run, ...]:
    """Return where extents are in the image."""
    return tuple(
        Run(NOWHERE, extent.size)
        if extent.lba == HOLE
        else Run(extent.lba * block_size + extent.offset, extent.size)
        for extent in extents
    )


class DistinctFiles:
    """The files that hold bytes, in the order of their places on the disc, made one by one.

    A disc may have a million in each of two trees: of those of one run, which most are, a
    number is kept that tells the run, the tree and the entry there.
    """

    def __init__(self, facts: DiscFacts) -> None:
        self._volumes = volumes_by_name(facts)
        self._single: list[int] = []
        self._several: dict[tuple[Run, ...], int] = {}
        for number, volume in enumerate(self._volumes):
            first = number << _INDEX_BITS
            for folder in iter_folders(volume.entries):
                columns = zip(folder.iter_extents(), folder.sizes, folder.are_folders, strict=True)
                for index, (extents, size, is_folder) in enumerate(columns, first):
                    if not is_folder and size and extents:
                        self._add(runs_of(extents, volume.block_size), index)
                first += len(folder.names)
        self._single.sort()

    def _add(self, runs: tuple[Run, ...], index: int) -> None:
        if len(runs) == 1:
            ((offset, size),) = runs
            self._single.append((offset << _SIZE_BITS | size) << _ENTRY_BITS | index)
        else:
            self._several.setdefault(runs, index)

    def __iter__(self) -> Iterator[ContentFile]:
        several = (self._file(runs, self._several[runs]) for runs in sorted(self._several))
        return merge(self._iter_single(), several, key=lambda file: file.runs)

    def _iter_single(self) -> Iterator[ContentFile]:
        """Yield each once, as the first tree names it."""
        before = None
        for key in self._single:
            place = key >> _ENTRY_BITS
            if place != before:
                before = place
                run = Run(place >> _SIZE_BITS, place & (1 << _SIZE_BITS) - 1)
                yield self._file((run,), key & (1 << _ENTRY_BITS) - 1)

    def _file(self, runs: tuple[Run, ...], index: int) -> ContentFile:
        volume = self._volumes[index >> _INDEX_BITS]
        return ContentFile(volume.entries[index & (1 << _INDEX_BITS) - 1].path, runs)


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
