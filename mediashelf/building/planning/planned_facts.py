"""What a reader will find on a disc that is only planned."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import datetime
from typing import Any

from mediashelf.building.naming.layout import Layout
from mediashelf.building.naming.names import Label
from mediashelf.building.naming.trees import PlannedDirectory
from mediashelf.building.sources.clock import record_date
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
    iso, joliet = layout.iso, layout.joliet
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
            (VolumeKind.ISO9660, label.short, _iter_entries(iso, known, "ascii"), "", None),
            (VolumeKind.JOLIET, label.long, _iter_entries(joliet, known, ""), "level 3", 3),
        )
    )
    return DiscFacts(layout.size, volumes, boot)


_KnownExtents = dict[int, tuple[Extent, ...]]
"""The extents of contents by their id(): both trees, and equal files, show the same."""


_new: Callable[..., Any] = tuple.__new__  # most of the time is spent making entries


def _iter_entries(
    directories: list[PlannedDirectory], known: _KnownExtents, encoding: str
) -> Iterator[Entry]:
    """Yield the entries of one tree; without an ``encoding`` identifiers are the names."""
    for directory in directories:
        for name, recorded, item in directory.children:
            identifier = recorded.decode(encoding) if encoding else name
            if isinstance(item, PlannedDirectory):
                yield _directory(item, identifier)
                continue
            content = item.content
            extents = known.get(id(content))
            if extents is None:
                size = content.size
                extents = (_new(Extent, (content.lba, size, 0)),) if size else ()
                known[id(content)] = extents
            path = item.short_path if encoding else item.long_path
            fields = (path, identifier, content.size, False, extents)
            yield _new(Entry, (*fields, record_date(item.modified), 0, -1))


def _directory(directory: PlannedDirectory, identifier: str) -> Entry:
    extents = (Extent(directory.lba, directory.size),)
    date = record_date(directory.folder.modified)
    return Entry(directory.path, identifier, directory.size, True, extents, date, FLAG_DIRECTORY)
