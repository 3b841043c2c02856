"""Where a ZIP archive's directory is by its own records, when the end record says otherwise."""

from __future__ import annotations

from mediashelf.formats.fields import View
from mediashelf.formats.packed.zip_directory import ZipDirectory
from mediashelf.formats.packed.zip_records import (
    CENTRAL_SIZE,
    END_SIZE,
    MAX_COMMENT_SIZE,
    central_record_size,
    find_zip_end,
    needs_zip64,
)

_CENTRAL, _LOCAL = b"PK\1\2", b"PK\3\4"
_OFFSET_FIELD = slice(42, 46)  # of a central record: where its local header is


def find_by_records(view: View, directory: ZipDirectory | None) -> ZipDirectory | None:
    """Return the directory if the end record is wrong about it and it is there, else None.

    ``directory`` is what the end record says, or None where that cannot be. It is there
    when records follow each other from where it should begin to the end record.
    """
    if directory is not None:
        if directory.is_split:
            return None
        count = _count_records(view, directory.at, directory.end)
        if count in (None, directory.entry_count):
            return None
        return directory._replace(entry_count=count)
    tail_size = min(view.size, END_SIZE + MAX_COMMENT_SIZE)
    end = find_zip_end(view.read(view.size - tail_size, tail_size), view.size - tail_size)
    if end is None or end.is_split or needs_zip64(end):
        return None
    for at in (end.directory_offset, end.at - end.directory_size):
        count = _count_records(view, at, end.at) if 0 <= at < end.at else None
        if count and _begins_with_a_member(view, at):
            return ZipDirectory(at, end.at, count, 0, is_split=False)
    return None


def _count_records(view: View, at: int, end: int) -> int | None:
    """Return how many records fill the bytes exactly, or None."""
    count = 0
    while at < end:
        head = view.read(at, CENTRAL_SIZE)
        if not head.startswith(_CENTRAL):
            return None
        at += central_record_size(head)
        count += 1
    return count if at == end else None


def _begins_with_a_member(view: View, at: int) -> bool:
    """Tell whether the first record's local header is where it says, from the file's start."""
    offset = int.from_bytes(view.read(at, CENTRAL_SIZE)[_OFFSET_FIELD], "little")
    return view.read(offset, 4) == _LOCAL
