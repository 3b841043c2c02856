"""Reading a member of a ZIP archive in place: checked, bounded, and never unpacked to disk.

Memory stays at a few chunks whatever the archive says, and not one byte more is handed
on than its directory promises.
"""

from __future__ import annotations

import zlib
from collections.abc import Iterator
from io import FileIO

from mediashelf.building.tree import ArchiveMember, Content
from mediashelf.errors import BuildError, FormatError
from mediashelf.formats.packed.zip_records import (
    DEFLATED,
    LOCAL_SIZE,
    local_header_size,
    parse_local_header,
)

CHUNK = 1 << 20
"""Bytes read at once."""

_RAW_DEFLATE = -15  # no zlib or gzip wrapping, window of 32 KiB
_STORED_CHUNK = 1 << 18


def iter_member(stream: FileIO, content: Content) -> Iterator[bytes]:
    """Yield exactly the planned bytes of a member; all pieces but the last are :data:`CHUNK`.

    Raises :class:`BuildError` when its local header or its data is not what the
    archive's directory says, down to the CRC.
    """
    member = content.member
    assert member is not None
    stored = _iter_stored(stream, content, member, _find_data(stream, content, member))
    pieces = _iter_inflated(stored, content) if member.method == DEFLATED else stored
    waiting = bytearray()
    size = crc = 0
    for piece in pieces:
        size += len(piece)
        crc = zlib.crc32(piece, crc)
        if size > content.size:
            raise _damaged(content, f"it expands to more than its {content.size:,} bytes")
        waiting += piece
        # The last chunk waits until everything has been checked.
        while len(waiting) > CHUNK:
            yield bytes(waiting[:CHUNK])
            del waiting[:CHUNK]
    if size != content.size:
        raise _damaged(content, f"it has {size:,} bytes, expected {content.size:,}")
    if crc != member.crc:
        raise _damaged(content, f"its CRC is {crc:08x}, expected {member.crc:08x}")
    if waiting:
        yield bytes(waiting)


def read_fully(stream: FileIO, size: int) -> bytes:
    """Return ``size`` bytes, fewer only at the end: shares and pipes give short reads."""
    piece = stream.read(size) or b""
    while piece and len(piece) < size:
        more = stream.read(size - len(piece))
        if not more:
            break
        piece += more
    return piece


def _find_data(stream: FileIO, content: Content, member: ArchiveMember) -> int:
    """Return where the data begins, once the local header agrees with the directory."""
    stream.seek(member.header_at)
    start = read_fully(stream, LOCAL_SIZE)
    start += read_fully(stream, local_header_size(start) - LOCAL_SIZE)
    try:
        local = parse_local_header(start, member.header_at)
    except FormatError as error:
        raise _damaged(content, str(error)) from error
    if (local.name, local.method, local.is_encrypted) != (member.name, member.method, False):
        raise _damaged(content, "its local header is of another member than the directory says")
    data_at = member.header_at + local.record_size
    if data_at + member.stored_size > member.limit:
        raise _damaged(content, "its data would reach into the archive's directory")
    return data_at


def _iter_stored(
    stream: FileIO, content: Content, member: ArchiveMember, at: int
) -> Iterator[bytes]:
    stream.seek(at)
    left = member.stored_size
    while left:
        piece = read_fully(stream, min(left, _STORED_CHUNK))
        if not piece:
            raise _damaged(content, f"the archive ends {left:,} bytes before its data does")
        left -= len(piece)
        yield piece


def _iter_inflated(stored: Iterator[bytes], content: Content) -> Iterator[bytes]:
    inflater = zlib.decompressobj(_RAW_DEFLATE)
    try:
        for piece in stored:
            while piece and not inflater.eof:
                yield inflater.decompress(piece, _STORED_CHUNK)
                piece = inflater.unconsumed_tail
        # Up to one window may still be inside.
        while not inflater.eof:
            rest = inflater.decompress(b"", _STORED_CHUNK)
            if not rest:
                break
            yield rest
    except zlib.error as error:
        raise _damaged(content, f"its data cannot be expanded: {error}") from error
    if not inflater.eof or inflater.unused_data:
        raise _damaged(content, "its data does not end where the directory says")


def _damaged(content: Content, reason: str) -> BuildError:
    return BuildError(
        f"{content.shown_path}: {reason}; get the archive again, or skip the member in the recipe"
    )
