"""ZIP archives: end record, central directory and local headers.

::

    (local header, data, descriptor)…   central directory   end record

All numbers are little-endian. The end record's signature is in libarchive's source; layouts
are from memory. Python's zipfile writes and reads the same.
"""

from __future__ import annotations

import struct

from msgspec import Struct

from mediashelf.errors import FormatError
from mediashelf.formats.packed.dos_time import seconds_of_dos_time

SOURCE = "ZIP format, from memory; agrees with Python's zipfile"

END_SIZE = 22
MAX_COMMENT_SIZE = 0xFFFF
LOCATOR_SIZE = 20
END64_SIZE = 56
END64_START = b"PK\6\6"
CENTRAL_SIZE = 46
CENTRAL_START = b"PK\1\2"
LOCAL_SIZE = 30
DESCRIPTOR_SIGNATURE = b"PK\7\x08"

STORED, DEFLATED, DEFLATE64, BZIP2, LZMA = 0, 8, 9, 12, 14
METHODS = {
    1: "shrunk",
    2: "reduced",
    3: "reduced",
    4: "reduced",
    5: "reduced",
    6: "imploded",
    DEFLATE64: "Deflate64",
    BZIP2: "bzip2",
    LZMA: "LZMA",
}
"""Methods that are known by name but not expanded here."""

_FLAG_ENCRYPTED, _FLAG_DESCRIPTOR = 0x0001, 0x0008

_END = struct.Struct("<4sHHHHIIH")
_LOCATOR = struct.Struct("<4sIQI")
_END64 = struct.Struct("<4sQHHIIQQQQ")
_CENTRAL = struct.Struct("<4sBB2xHHHHIIIHHHH2xII")
_LOCAL = struct.Struct("<4s2xHH4xIIIHH")
_EXTRA = struct.Struct("<HH")
_ZIP64_EXTRA, _TIMES_EXTRA = 0x0001, 0x5455
_MADE_ON_UNIX = 3
_FULL_16, _FULL_32 = 0xFFFF, 0xFFFFFFFF


class ZipEnd(Struct, frozen=True):
    """Where the central directory is said to be.

    ``at`` is the end record's offset in the file. ``is_split`` is True for an
    archive that is cut into several files.
    """

    at: int
    entry_count: int
    directory_size: int
    directory_offset: int
    is_split: bool


class ZipMember(Struct, frozen=True):
    """What a central directory record or a local header says of one member.

    ``offset`` is where the local header is said to be; -1 in a local header.
    ``record_size`` is the length of the record with name, extra and comment.
    ``modified`` counts seconds since 1970, UTC; the archive's own dates have no zone
    and are taken as UTC, and None means that there is no valid one. ``unix_mode`` is
    0 where the archive was made elsewhere. Local headers are not asked for these two.
    """

    name: bytes
    flags: int
    method: int
    crc: int
    stored_size: int
    size: int
    offset: int
    record_size: int
    modified: int | None = None
    unix_mode: int = 0

    @property
    def is_encrypted(self) -> bool:
        """Whether a password is needed to read it."""
        return bool(self.flags & _FLAG_ENCRYPTED)

    @property
    def has_descriptor(self) -> bool:
        """Whether CRC and sizes follow the data, and may be zero in the local header."""
        return bool(self.flags & _FLAG_DESCRIPTOR)

    @property
    def shown_name(self) -> str:
        """The name as text."""
        return decode_name(self.name)


def decode_name(name: bytes) -> str:
    """Return a member's name as text: UTF-8 where it is, else code page 437 (common practice)."""
    try:
        return name.decode("utf-8")
    except UnicodeDecodeError:
        return name.decode("cp437")


def find_zip_end(tail: bytes, tail_offset: int) -> ZipEnd | None:
    """Return the last end record in the file's last bytes, or None.

    A record whose comment ends where the file ends is preferred: a comment may
    hold the signature, and bytes may have been added after the archive.
    """
    fallback = None
    at = tail.rfind(b"PK\5\6")
    while at >= 0:
        if len(tail) - at >= END_SIZE:
            fields = _END.unpack_from(tail, at)
            _, disk, start_disk, here, total, size, offset, comment_size = fields
            is_split = (disk, start_disk) not in ((0, 0), (_FULL_16, _FULL_16)) or here != total
            end = ZipEnd(tail_offset + at, total, size, offset, is_split)
            if at + END_SIZE + comment_size == len(tail):
                return end
            fallback = fallback or end
        at = tail.rfind(b"PK\5\6", 0, at)
    return fallback


def needs_zip64(end: ZipEnd) -> bool:
    """Tell whether an end record refers to its 64-bit form."""
    return (
        end.entry_count == _FULL_16
        or end.directory_size == _FULL_32
        or end.directory_offset == _FULL_32
    )


def parse_zip64_locator(data: bytes) -> int | None:
    """Return where the 64-bit end record is said to be, or None if this is not a locator."""
    if len(data) < LOCATOR_SIZE or not data.startswith(b"PK\6\7"):
        return None
    offset: int = _LOCATOR.unpack_from(data)[2]
    return offset


def parse_zip64_end(data: bytes, at: int) -> ZipEnd:
    """Return the 64-bit end record at offset ``at``; raises :class:`FormatError`."""
    if len(data) < END64_SIZE or not data.startswith(END64_START):
        raise FormatError("zip64 end record", at=at, found=data[:4], expected="b'PK\\x06\\x06'")
    _, _size, _made, _needed, disk, start_disk, here, total, size, offset = _END64.unpack_from(data)
    return ZipEnd(at, total, size, offset, bool(disk or start_disk or here != total))


def central_record_size(data: bytes) -> int:
    """Return the length of the record that begins with ``data``, 46 bytes, or of what there is."""
    lengths: tuple[int, ...] = struct.unpack_from("<HHH", data.ljust(CENTRAL_SIZE, b"\0"), 28)
    return CENTRAL_SIZE + sum(lengths)


def local_header_size(data: bytes) -> int:
    """Return the length of the local header that begins with ``data``, 30 bytes."""
    lengths: tuple[int, ...] = struct.unpack_from("<HH", data.ljust(LOCAL_SIZE, b"\0"), 26)
    return LOCAL_SIZE + sum(lengths)


def parse_central_record(data: bytes, at: int) -> ZipMember:
    """Return the central directory record at offset ``at``; raises :class:`FormatError`."""
    if len(data) < CENTRAL_SIZE or not data.startswith(CENTRAL_START):
        raise FormatError(
            "central directory record", at=at, found=data[:4], expected="b'PK\\x01\\x02'"
        )
    fields = _CENTRAL.unpack_from(data)
    _, _, made_on, flags, method, time, date, crc, stored_size, size = fields[:10]
    name_size, extra_size, comment_size, _, attributes, offset = fields[10:]
    name_end = CENTRAL_SIZE + name_size
    extra = data[name_end : name_end + extra_size]
    size, stored_size, offset = _with_zip64([size, stored_size, offset], extra)
    return ZipMember(
        data[CENTRAL_SIZE:name_end],
        flags,
        method,
        crc,
        stored_size,
        size,
        offset,
        name_end + extra_size + comment_size,
        _modified(time, date, extra),
        attributes >> 16 if made_on == _MADE_ON_UNIX else 0,
    )


def parse_local_header(data: bytes, at: int) -> ZipMember:
    """Return the local header at offset ``at``; raises :class:`FormatError`."""
    if len(data) < LOCAL_SIZE or not data.startswith(b"PK\3\4"):
        raise FormatError("local header", at=at, found=data[:4], expected="b'PK\\x03\\x04'")
    _, flags, method, crc, stored_size, size, name_size, extra_size = _LOCAL.unpack_from(data)
    name_end = LOCAL_SIZE + name_size
    size, stored_size = _with_zip64([size, stored_size], data[name_end : name_end + extra_size])
    return ZipMember(
        data[LOCAL_SIZE:name_end],
        flags,
        method,
        crc,
        stored_size,
        size,
        -1,
        name_end + extra_size,
    )


def _with_zip64(fields: list[int], extra: bytes) -> list[int]:
    """Replace fields that are full by their 64-bit form, in this order, where there is one."""
    body = _extra(extra, _ZIP64_EXTRA)
    if body is None:
        return fields
    count = len(body) // 8
    values = iter(struct.unpack_from(f"<{count}Q", body))
    return [next(values, field) if field == _FULL_32 else field for field in fields]


def _modified(time: int, date: int, extra: bytes) -> int | None:
    """Return seconds since 1970: the extra field's, else those of the DOS date and time."""
    body = _extra(extra, _TIMES_EXTRA)
    if body is not None and len(body) >= 5 and body[0] & 1:
        return int.from_bytes(body[1:5], "little", signed=True)
    return seconds_of_dos_time(date, time)


def _extra(extra: bytes, wanted: int) -> bytes | None:
    """Return what the first extra field of this kind holds, or None."""
    at = 0
    while at + _EXTRA.size <= len(extra):
        kind, size = _EXTRA.unpack_from(extra, at)
        at += _EXTRA.size
        if kind == wanted:
            return extra[at : at + size]
        at += size
    return None
