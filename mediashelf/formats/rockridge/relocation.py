"""Relocated directories of Rock Ridge: each where its link says that it belongs.

A record that is marked as relocated (RE) is left out, and one with a link (CL) becomes the
directory that the link leads to, which links back (PL); RRIP 1.12, 4.1.5.1 to 4.1.5.3.
"""

from __future__ import annotations

from collections.abc import Callable

from mediashelf.formats.fields import View
from mediashelf.formats.iso.directories.directory_records import Geometry
from mediashelf.formats.iso.directories.record_columns import DirectoryRecord
from mediashelf.formats.iso.naming import Directory
from mediashelf.formats.problem_log import ProblemLog
from mediashelf.formats.rockridge.announcement import first_records
from mediashelf.formats.volume import FLAG_DIRECTORY, FLAG_MULTI_EXTENT, SECTOR_SIZE

_LARGEST_HOLDER = 1 << 20  # bytes that are read of a directory that may hold moved ones
_MOST_HOLDERS = 16  # directories that are looked into for that; writers make one

ParentLink = Callable[[Directory, bytes, DirectoryRecord], int | None]
"""Gives the block number of the parent link (PL) of a parent record, where it has one."""


class Relocations:
    """What is moved, and which links lead there."""

    def __init__(
        self,
        view: View,
        geometry: Geometry,
        log: ProblemLog,
        mark: str,
        parent_link: ParentLink,
    ) -> None:
        self._view, self._geometry, self._log, self._mark = view, geometry, log, mark
        self._parent_link = parent_link
        self._relocated: dict[int, Directory] = {}  # by LBA, with the directory that holds it now
        self._linked: set[int] = set()
        self._holders_left = _MOST_HOLDERS

    def leave_out(self, directory: Directory, record: DirectoryRecord) -> None:
        """Note what a record marked RE stands for, in the directory that holds it now."""
        for moved in self._held_by(record):
            self._relocated.setdefault(moved, directory)

    def linked_record(
        self, directory: Directory, record: DirectoryRecord, lba: int
    ) -> DirectoryRecord:
        """Return ``record`` as the directory at ``lba``, if that is one and links back."""
        offset = lba * self._geometry.block_size
        data = self._view.read(offset, SECTOR_SIZE)
        records = first_records(data, self._geometry)
        itself, parent = records.self_record, records.parent_record
        reason = ""
        if itself is None or itself.lba != lba:
            reason = "there is no directory there"
        elif parent is None or self._parent_link(directory, data, parent) != directory.lba:
            reason = "the directory there does not link back (PL)"
        if reason:
            self._log.add(
                "rockridge-relocation",
                directory.where,
                f"the link (CL) of {record.identifier.decode('latin-1')!r} points to LBA {lba}, "
                f"but {reason}",
                offset=directory.offset + record.at,
                found=f"LBA {lba}",
                expected=f"a directory whose parent link is LBA {directory.lba}",
            )
        if itself is None or itself.lba != lba:
            return record
        self._linked.add(lba)
        return record._replace(
            lba=lba,
            size=itself.size,
            flags=(record.flags | FLAG_DIRECTORY) & ~FLAG_MULTI_EXTENT,
        )

    def finish(self) -> None:
        """Log relocated directories that no link leads to."""
        for lba, directory in self._relocated.items():
            if lba not in self._linked:
                self._log.add(
                    "rockridge-relocation",
                    directory.where,
                    "a relocated directory has no link (CL), so it is not shown",
                    offset=lba * self._geometry.block_size,
                    found=f"directory at LBA {lba}",
                    expected="a record with a link (CL) to it",
                )

    def _held_by(self, record: DirectoryRecord) -> list[int]:
        """Return the LBAs of the relocated directories that a record marked RE stands for.

        The mark belongs on the directory that was moved. Common practice: some writers
        set it on the directory that holds all moved ones, so that systems hide it.
        """
        offset = record.lba * self._geometry.block_size
        data = self._view.read(offset, SECTOR_SIZE)
        records = first_records(data, self._geometry)
        itself = Directory("", self._mark, b"", record.lba, record.size, 0, 0, 1)
        parent = records.parent_record
        if parent is not None and self._parent_link(itself, data, parent) is not None:
            return [record.lba]
        if not self._holders_left:
            return [record.lba]
        self._holders_left -= 1
        data = self._view.read(offset, min(record.size, _LARGEST_HOLDER))
        records = first_records(data, self._geometry, len(data))
        is_holder = all(child.flags & FLAG_DIRECTORY for child in records.children)
        if records.self_record is None or not records.is_complete or not is_holder:
            return [record.lba]
        return [child.lba for child in records.children]
