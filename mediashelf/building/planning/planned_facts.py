"""What a reader will find on a disc that is only planned."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime

from mediashelf.building.naming.layout import Layout
from mediashelf.building.naming.names import Label
from mediashelf.building.naming.trees import Child, PlannedDirectory
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
    volumes = tuple(
        VolumeFacts(
            kind=kind,
            label=name,
            entries=tuple(_iter_entries(tree, encoding)),
            block_count=layout.sectors,
            detail=detail,
            joliet_level=level,
            created=text,
            modified=text,
            identifiers={"application": APPLICATION},
        )
        for kind, name, tree, encoding, detail, level in (
            (VolumeKind.ISO9660, label.short, layout.iso, "ascii", "", None),
            (VolumeKind.JOLIET, label.long, layout.joliet, "utf-16-be", "level 3", 3),
        )
    )
    return DiscFacts(layout.size, volumes, boot)


def _iter_entries(directories: list[PlannedDirectory], encoding: str) -> Iterator[Entry]:
    for directory in directories:
        for child in directory.children:
            yield _entry(directory, child, encoding)


def _entry(directory: PlannedDirectory, child: Child, encoding: str) -> Entry:
    path = f"{directory.path}/{child.name}"
    identifier = child.identifier.decode(encoding)
    item = child.item
    if isinstance(item, PlannedDirectory):
        extent = Extent(item.lba, item.size)
        date = record_date(item.folder.modified)
        return Entry(path, identifier, item.size, True, (extent,), date, FLAG_DIRECTORY)
    content = item.content
    extents = (Extent(content.lba, content.size),) if content.size else ()
    return Entry(path, identifier, content.size, False, extents, record_date(item.modified))
