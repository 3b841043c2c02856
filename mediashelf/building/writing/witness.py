"""What a reader that is not ours finds on a disc that was just written: pycdlib's.

Our own reader compares bytes, but it shares our understanding of the standards with
the writer. pycdlib shares nothing with either. It is used through its public interface
alone, so any of its releases will do.
"""

from __future__ import annotations

import struct
from contextlib import closing
from pathlib import Path
from typing import Any, NamedTuple

from pycdlib import PyCdlib
from pycdlib.pycdlibexception import PyCdlibException

from mediashelf.building.naming.trees import Child, PlannedDirectory
from mediashelf.building.planning.disc_plan import DiscPlan
from mediashelf.building.sources.clock import record_date
from mediashelf.errors import BuildError

# What it raises on images that are not valid, as well as its own errors.
_FAILURES = (PyCdlibException, struct.error, LookupError, ValueError, TypeError, AttributeError)


class _Seen(NamedTuple):
    """One directory record; ``lba`` is 0 for an empty file."""

    identifier: bytes
    is_directory: bool
    lba: int
    size: int
    date: bytes


def hear_witness(plan: DiscPlan, path: Path) -> None:
    """Have pycdlib read the image at ``path``, and compare what it finds with the plan.

    That is both trees (names, kinds, places, sizes, dates), both labels, the size of the
    volume, and what boots. Raises :class:`BuildError` for the first difference, and when
    pycdlib cannot read the disc.
    """
    iso: Any = PyCdlib()
    try:
        with path.open("rb") as stream:
            iso.open_fp(stream)
            with closing(iso):
                _compare_disc(plan, iso)
    except _FAILURES as error:
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
        records = [one for one in record.children if not (one.is_dot() or one.is_dotdot())]
        by_identifier = {one.file_identifier(): one for one in records}
        if len(records) != len(directory.children):
            raise _disagreed(
                f"{directory.path or '/'} of the {name} tree holds {len(records):,} entries, "
                f"expected {len(directory.children):,}"
            )
        for child in directory.children:
            found, expected = by_identifier.get(child.identifier), _planned(child)
            if found is None or _seen(found) != expected:
                raise _disagreed(
                    f"{directory.path}/{child.name} of the {name} tree is "
                    f"{_describe(found and _seen(found))}, expected {_describe(expected)}"
                )
            if isinstance(child.item, PlannedDirectory):
                waiting.append((child.item, found))


def _seen(record: Any) -> _Seen:
    size = record.get_data_length()
    lba = record.extent_location() if size else 0
    return _Seen(record.file_identifier(), record.is_dir(), lba, size, record.date.record())


def _planned(child: Child) -> _Seen:
    item = child.item
    if isinstance(item, PlannedDirectory):
        date = record_date(item.folder.modified)
        return _Seen(child.identifier, True, item.lba, item.size, date)
    content = item.content
    lba = content.lba if content.size else 0
    return _Seen(child.identifier, False, lba, content.size, record_date(item.modified))


def _describe(seen: _Seen | None) -> str:
    if seen is None:
        return "missing"
    kind = "directory" if seen.is_directory else "file"
    return f"a {kind} (LBA {seen.lba}, {seen.size:,} bytes, date {seen.date.hex()})"


def _compare_boot(plan: DiscPlan, catalog: Any) -> None:
    if plan.boot is None or plan.catalog is None:
        if catalog is not None:
            raise _disagreed("it finds a boot catalog, and none was planned")
        return
    if catalog is None:
        raise _disagreed("it finds no boot catalog")
    entry = catalog.initial_entry
    found = (entry.boot_indicator, entry.boot_media_type, entry.sector_count, entry.get_rba())
    boot = plan.boot
    expected = (0x88, boot.media_type, boot.load_sectors, boot.content.lba)  # figure 3
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
