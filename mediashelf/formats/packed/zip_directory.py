"""Where the directory of a ZIP archive is, and the members it names one after the other."""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

from mediashelf.errors import FormatError
from mediashelf.formats.fields import View
from mediashelf.formats.packed.zip_records import (
    CENTRAL_SIZE,
    CENTRAL_START,
    END64_SIZE,
    END64_START,
    END_SIZE,
    LOCATOR_SIZE,
    MAX_COMMENT_SIZE,
    ZipEnd,
    ZipMember,
    central_record_size,
    find_zip_end,
    needs_zip64,
    parse_central_record,
    parse_zip64_end,
    parse_zip64_locator,
)


class ZipDirectory(NamedTuple):
    """Where the central directory is in the file.

    Offsets of members count from ``prefix``, as an archive may follow a
    program. ``is_split`` is True for one that is cut into several files; then
    nothing else can be relied on.
    """

    at: int
    end: int
    entry_count: int
    prefix: int
    is_split: bool


def find_directory(view: View) -> ZipDirectory | None:
    """Return the place of the central directory, None when there is no end record.

    Raises :class:`FormatError`, with the place of the end record, when that names a
    directory that cannot be where it says.
    """
    tail_size = min(view.size, END_SIZE + MAX_COMMENT_SIZE)
    end = find_zip_end(view.read(view.size - tail_size, tail_size), view.size - tail_size)
    if end is None:
        return None
    if end.is_split:
        return ZipDirectory(end.at, end.at, 0, 0, True)
    end, directory_end = _widened(view, end)
    prefix = directory_end - end.directory_size - end.directory_offset
    if prefix < 0:
        raise FormatError(
            "place of the central directory",
            at=end.at,
            found=end.directory_offset,
            expected=f"{end.directory_size:,} bytes before {directory_end}",
        )
    return ZipDirectory(
        prefix + end.directory_offset, directory_end, end.entry_count, prefix, end.is_split
    )


def iter_members(view: View, directory: ZipDirectory) -> Iterator[tuple[int, ZipMember]]:
    """Yield each record's offset in the file with what it says, up to the directory's end.

    Raises :class:`FormatError` at a record that cannot be read: what follows it is
    lost; and after the last one where the end record counts another number of them. It has
    16 bits for that, and writers that know no 64-bit form leave the others out.
    """
    at = directory.at
    count = 0
    while True:
        head = view.read(at, CENTRAL_SIZE)
        is_more = at < directory.end and head.startswith(CENTRAL_START)
        if count >= directory.entry_count and not is_more:
            break
        count += 1
        size = central_record_size(head)
        data = view.read(at, max(0, min(size, directory.end - at)))
        member = parse_central_record(data, at)
        yield at, member
        at += member.record_size
    if (count - directory.entry_count) % (1 << 16):
        raise FormatError(
            "number of members", at=directory.end, found=directory.entry_count, expected=str(count)
        )


def _widened(view: View, end: ZipEnd) -> tuple[ZipEnd, int]:
    """Return the end record, the 64-bit one if it is asked for, and where the directory ends.

    Some writers add the 64-bit one where nothing asks for it.
    """
    locator_at = end.at - LOCATOR_SIZE
    offset = parse_zip64_locator(view.read(locator_at, LOCATOR_SIZE)) if locator_at >= 0 else None
    if offset is None:
        return end, end.at
    # Behind a program the recorded place may be counted from the archive's start.
    usual = max(locator_at - END64_SIZE, 0)
    places = (at for at in (offset, usual) if view.read(at, 4) == END64_START)
    at = next(places, None if not needs_zip64(end) else usual)
    if at is None:
        return end, end.at
    return (parse_zip64_end(view.read(at, END64_SIZE), at) if needs_zip64(end) else end), at
