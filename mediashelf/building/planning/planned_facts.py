"""What a reader will find on a disc that is only planned."""

from __future__ import annotations

from array import array
from bisect import bisect_right
from collections.abc import Iterator, Sequence
from datetime import datetime
from itertools import accumulate

from msgspec.structs import replace

from mediashelf.building.naming.directory import PlannedDirectory, file_identifier
from mediashelf.building.naming.layout import Layout
from mediashelf.building.naming.names import Label
from mediashelf.building.sources.clock import record_date
from mediashelf.building.tree import Content
from mediashelf.formats.entries import Entries, Folder, iter_folders
from mediashelf.formats.volume import (
    FLAG_DIRECTORY,
    BootFacts,
    DiscFacts,
    Entry,
    VolumeFacts,
    VolumeKind,
)
from mediashelf.sequences import MadeSequence, Shifted

APPLICATION = "MEDIASHELF"
"""The application identifier of every disc; no version, so that equal sources stay equal discs."""


def planned_facts(
    layout: Layout, label: Label, made: datetime, boot: BootFacts | None
) -> DiscFacts:
    """Return the facts of both volumes and of the boot catalog."""
    text = made.isoformat(timespec="seconds")
    volumes = tuple(
        VolumeFacts(
            kind=kind,
            label=name,
            entries=PlannedEntries(directories),
            block_count=layout.sectors,
            detail=detail,
            joliet_level=level,
            created=text,
            modified=text,
            identifiers={"application": APPLICATION},
            set_number=1,
            set_size=1,
        )
        for kind, name, directories, detail, level in (
            (VolumeKind.ISO9660, label.short, layout.iso, "", None),
            (VolumeKind.JOLIET, label.long, layout.joliet, "level 3", 3),
        )
    )
    return DiscFacts(layout.size, volumes, boot)


def facts_alone(facts: DiscFacts) -> DiscFacts:
    """Return the facts of a planned disc as columns of their own: they outlive the plan."""
    volumes = (
        replace(volume, entries=Entries(iter_folders(volume.entries))) for volume in facts.volumes
    )
    return replace(facts, volumes=tuple(volumes))


class PlannedEntries(Entries):
    """The entries of one tree, put together for whoever asks: nobody keeps them."""

    __slots__ = ("_directories",)

    def __init__(self, directories: Sequence[PlannedDirectory]) -> None:
        super().__init__(())
        self._directories = [directory for directory in directories if directory.items]
        self._length = sum(len(directory.items) for directory in self._directories)

    def iter_folders(self) -> Iterator[Folder]:
        for directory in self._directories:
            yield planned_folder(directory)

    def _all(self) -> tuple[Entry, ...]:
        return tuple(entry for folder in self.iter_folders() for entry in folder.entries())

    def _one(self, index: int) -> Entry:
        sizes = (len(directory.items) for directory in self._directories)
        self._ends = self._ends or list(accumulate(sizes))
        number = bisect_right(self._ends, index)
        directory = self._directories[number]
        at = index - self._ends[number] + len(directory.items)
        there = slice(at, at + 1)  # of a folder of 20,000 files the others would take long
        alone = replace(directory, names=directory.names[there], items=directory.items[there])
        return planned_folder(alone).entry(0)


def planned_folder(directory: PlannedDirectory) -> Folder:
    """Return the columns of what a directory holds."""
    names, items = directory.names, directory.items
    sizes, lbas, dates = [], array("I"), []
    are_folders = bytearray(len(items))
    place: PlannedDirectory | Content
    for number, item in enumerate(items):
        if isinstance(item, PlannedDirectory):
            are_folders[number] = True
            place, moment = item, item.folder.modified
        else:
            place, moment = item.content, item.modified
        sizes.append(place.size)
        lbas.append(place.lba if place.size else 0)
        dates.append(record_date(moment))
    return Folder(
        directory.path,
        names,
        names if directory.is_long else _Identifiers(names, are_folders),
        sizes,
        bytes(are_folders),
        lbas,
        None,
        dates,
        are_folders.translate(_FLAGS),
        Shifted(bytes(len(items)), _NO_OFFSET),
    )


class _Identifiers(MadeSequence[str]):
    """The identifiers of a directory in the ISO tree, made of the names."""

    __slots__ = ("_are_folders", "_names")

    def __init__(self, names: Sequence[str], are_folders: bytes | bytearray) -> None:
        self._names, self._are_folders = names, are_folders

    def __len__(self) -> int:
        return len(self._names)

    def make(self, place: int) -> str:
        name = self._names[place]
        return name if self._are_folders[place] else file_identifier(name)


_NO_OFFSET = -1  # of a record that is not written yet
_FLAGS = bytes([0, FLAG_DIRECTORY]) + bytes(254)
