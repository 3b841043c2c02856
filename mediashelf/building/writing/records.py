"""Everything on a disc before its contents: what says where they are, in the layout's order."""

from __future__ import annotations

from collections.abc import Iterator

from mediashelf.building.naming.layout import FIRST_DESCRIPTOR, path_table_sectors
from mediashelf.building.planning.disc_plan import DiscPlan
from mediashelf.building.writing.boot_catalog import boot_catalog
from mediashelf.building.writing.descriptors import (
    TERMINATOR,
    boot_record,
    joliet_descriptor,
    primary_descriptor,
)
from mediashelf.building.writing.directories import directory_data, path_table
from mediashelf.formats.volume import SECTOR_SIZE


def iter_records(plan: DiscPlan) -> Iterator[bytes]:
    """Yield the disc from its first sector to the boot catalog, in pieces of whole sectors."""
    layout = plan.layout
    tables = [
        (directories, order)
        for directories in (layout.iso, layout.joliet)
        for order in ("little", "big")
    ]
    # Descriptors, the terminator, and the sector of zeros after it come first.
    places = [FIRST_DESCRIPTOR + 4 + (plan.boot is not None)]
    for directories, _ in tables:
        places.append(places[-1] + path_table_sectors(directories))

    yield bytes(FIRST_DESCRIPTOR * SECTOR_SIZE)  # system area (ECMA-119 6.2.1)
    yield primary_descriptor(plan, places[0], places[1])
    if plan.catalog is not None:
        yield boot_record(plan.catalog.own.lba)  # at sector 17 (El Torito 1.0, 2.0)
    yield joliet_descriptor(plan, places[2], places[3])
    yield TERMINATOR
    yield bytes(SECTOR_SIZE)
    for directories, order in tables:
        yield path_table(directories, order)
    for directory in (*layout.iso, *layout.joliet):
        yield directory_data(directory)
    if plan.boot is not None:
        yield boot_catalog(plan.boot)
