"""What a reader that is not ours finds on a disc that was just written: pycdlib's.

Our own reader compares bytes, but it shares our understanding of the standards with
the writer. pycdlib shares nothing with either.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

from mediashelf.building.naming.directory import PlannedDirectory
from mediashelf.building.planning.disc_plan import DiscPlan
from mediashelf.building.planning.planned_facts import planned_folder
from mediashelf.building.writing.second_reader import (
    Columns,
    SecondReaderError,
    Seen,
    boot_entry,
    children,
    opened,
    seen,
)
from mediashelf.errors import BuildError


def hear_witness(plan: DiscPlan, path: Path) -> None:
    """Have pycdlib read the image at ``path``, and compare what it finds with the plan.

    That is both trees (names, kinds, places, sizes, dates), both labels, the size of the
    volume, and what boots. Raises :class:`BuildError` for the first difference, and when
    pycdlib cannot read the disc.
    """
    try:
        with path.open("rb") as stream, opened(stream) as iso:
            _compare_disc(plan, iso)
    except SecondReaderError as error:
        raise _disagreed(f"it cannot read the disc: {error}") from error


def _compare_disc(plan: DiscPlan, iso: Any) -> None:
    if not iso.has_joliet():
        raise _disagreed("it finds no Joliet tree")
    for name, encoding, label, descriptor, directories in (
        ("ISO", "ascii", plan.label.short, iso.pvd, plan.layout.iso),
        ("Joliet", "utf-16-be", plan.label.long, iso.joliet_vd, plan.layout.joliet),
    ):
        found = descriptor.volume_identifier.decode(encoding).rstrip(" ")
        if (found, descriptor.space_size) != (label.rstrip(" "), plan.layout.sectors):
            raise _disagreed(
                f"the {name} descriptor says {found!r} with {descriptor.space_size:,} sectors, "
                f"expected {label!r} with {plan.layout.sectors:,}"
            )
        _compare_trees(name, directories[0], descriptor.root_directory_record())
    _compare_boot(plan, iso.eltorito_boot_catalog)


def _compare_trees(name: str, root: PlannedDirectory, root_record: Any) -> None:
    waiting = [(root, root_record)]
    while waiting:
        directory, record = waiting.pop()
        records = children(record)
        by_identifier = {one.file_identifier(): one for one in records}
        if len(records) != len(directory.items):
            raise _disagreed(
                f"{directory.path or '/'} of the {name} tree holds {len(records):,} entries, "
                f"expected {len(directory.items):,}"
            )
        planned = map(Seen._make, zip(*planned_columns(directory), strict=True))
        for expected, name_there, item in zip(
            planned, directory.names, directory.items, strict=True
        ):
            found = by_identifier.get(expected.identifier)
            if found is None or seen(found) != expected:
                raise _disagreed(
                    f"{directory.path}/{name_there} of the {name} tree is "
                    f"{_describe(found and seen(found))}, expected {_describe(expected)}"
                )
            if isinstance(item, PlannedDirectory):
                waiting.append((item, found))


def planned_columns(directory: PlannedDirectory) -> Columns:
    """Return what the records of a directory must say, in its own order."""
    folder = planned_folder(directory)
    there = folder.are_folders, folder.lbas, folder.sizes, folder.dates
    return Columns(directory.identifiers(), *there)


def planned_boot(plan: DiscPlan) -> tuple[int, int, int, int] | None:
    """Return what the boot entry must say (El Torito 1.0, figure 3)."""
    boot = plan.boot
    if boot is None or plan.catalog is None:
        return None
    return 0x88, boot.media_type, boot.load_sectors, boot.content.lba


def _describe(record: Seen | None) -> str:
    if record is None:
        return "missing"
    kind = "directory" if record.is_directory else "file"
    return f"a {kind} (LBA {record.lba}, {record.size:,} bytes, date {record.date.hex()})"


def _compare_boot(plan: DiscPlan, catalog: Any) -> None:
    expected = planned_boot(plan)
    if expected is None:
        if catalog is not None:
            raise _disagreed("it finds a boot catalog, and none was planned")
        return
    if catalog is None:
        raise _disagreed("it finds no boot catalog")
    found = boot_entry(catalog)
    if found != expected:
        raise _disagreed(
            "the boot entry has indicator {:#x}, media type {}, {} sectors to load from LBA {}, "
            "expected {:#x}, {}, {} and {}".format(*found, *expected)
        )


def _disagreed(reason: str) -> BuildError:
    return BuildError(
        f"pycdlib, the second reader, does not find what was written: {reason}; "
        "build again, and please report it if that does not help"
    )
