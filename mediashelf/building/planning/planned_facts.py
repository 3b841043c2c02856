"""What a reader will find on a disc that is only planned."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime

from mediashelf.building.naming.layout import Layout
from mediashelf.building.naming.names import Label
from mediashelf.building.naming.trees import PlannedDirectory
from mediashelf.building.sources.clock import record_date
from mediashelf.building.tree import DiscFile
from mediashelf.formats.volume import (
    FLAG_DIRECTORY,
    BootFacts,
    DiscFacts,
    Entry,
    Extent,
    VolumeFacts,
    VolumeKind,
)

APPLICATION = "MEDIASHELF"
"""The application identifier of every disc; no version, so that equal sources stay equal discs."""


def planned_facts(
    layout: Layout, label: Label, made: datetime, boot: BootFacts | None
) -> DiscFacts:
    """Return the facts of both volumes and of the boot catalog."""
    text = made.isoformat(timespec="seconds")
    known: _KnownExtents = {}
    volumes = tuple(
        VolumeFacts(
            kind=kind,
            label=name,
            entries=tuple(entries),
            block_count=layout.sectors,
            detail=detail,
            joliet_level=level,
            created=text,
            modified=text,
            identifiers={"application": APPLICATION},
            set_number=1,
            set_size=1,
        )
        for kind, name, entries, detail, level in (
            (VolumeKind.ISO9660, label.short, _iter_short(layout.iso, known), "", None),
            (VolumeKind.JOLIET, label.long, _iter_long(layout.joliet, known), "level 3", 3),
        )
    )
    return DiscFacts(layout.size, volumes, boot)


_KnownExtents = dict[int, tuple[Extent, ...]]
"""The extents of contents by their id(): both trees, and equal files, show the same."""


def _iter_short(directories: list[PlannedDirectory], known: _KnownExtents) -> Iterator[Entry]:
    for directory in directories:
        for child in directory.children:
            item, identifier = child.item, child.identifier.decode("ascii")
            if isinstance(item, PlannedDirectory):
                yield _directory(item, identifier)
            else:
                yield _file(item, item.short_path, identifier, known)


def _iter_long(directories: list[PlannedDirectory], known: _KnownExtents) -> Iterator[Entry]:
    for directory in directories:
        for child in directory.children:
            item = child.item
            if isinstance(item, PlannedDirectory):
                yield _directory(item, child.name)
            else:
                yield _file(item, item.long_path, child.name, known)


def _directory(directory: PlannedDirectory, identifier: str) -> Entry:
    extents = (Extent(directory.lba, directory.size),)
    date = record_date(directory.folder.modified)
    return Entry(directory.path, identifier, directory.size, True, extents, date, FLAG_DIRECTORY)


def _file(file: DiscFile, path: str, identifier: str, known: _KnownExtents) -> Entry:
    content = file.content
    extents = known.get(id(content))
    if extents is None:
        extents = (Extent(content.lba, content.size),) if content.size else ()
        known[id(content)] = extents
    return Entry(path, identifier, content.size, False, extents, record_date(file.modified))
