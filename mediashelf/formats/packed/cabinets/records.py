"""The records of a cabinet: header, folders and files.

::

    header   folders…   files…   data blocks…

A folder is one compressed stream, cut into data blocks; a file is a run of bytes of that
stream. All numbers are little-endian. Header, folders, files and the numbers of folders that
go on in other cabinets are those of Microsoft's description of the format (1997), as quoted
elsewhere, and of libarchive's source.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from enum import IntEnum

from msgspec import Struct

from mediashelf.errors import FormatError
from mediashelf.formats.fields import View

SOURCE = "cabinet format (Microsoft, 1997), quoted elsewhere; agrees with libarchive"

HEADER_SIZE = 36
MAX_HEADER_SIZE = HEADER_SIZE + 4 + 60_000 + 4 * 256
FOLDER_SIZE = 8
FILE_SIZE = 16
MAX_NAME_SIZE = 256

_HEADER = struct.Struct("<4s4xI4xI4xBBHHHHH")
_RESERVE = struct.Struct("<HBB")
_FOLDER = struct.Struct("<IHH")
_FILE = struct.Struct("<IIH6x")

_HAS_PREVIOUS, _HAS_NEXT, _HAS_RESERVE = 1, 2, 4
_KNOWN_FLAGS = 7
_CONTINUED_FROM_PREVIOUS, _CONTINUED_TO_NEXT, _CONTINUED_BOTH_WAYS = 0xFFFD, 0xFFFE, 0xFFFF


class Compression(IntEnum):
    """How a folder is compressed: the low four bits of its type."""

    STORED = 0
    MSZIP = 1
    QUANTUM = 2
    LZX = 3


class CabinetHeader(Struct, frozen=True):
    """The first structure of a cabinet.

    ``size`` is the whole cabinet's length in bytes. Folders are at
    ``folders_offset``; each has ``folder_reserve`` bytes after it, each data
    block header ``block_reserve``. ``previous`` and ``following`` are the names of the
    cabinets that this one continues, or that continue it; all of one set have its
    ``set_id``, and ``index`` counts them.
    """

    size: int
    files_offset: int
    folders_offset: int
    folder_count: int
    file_count: int
    folder_reserve: int
    block_reserve: int
    previous: str = ""
    following: str = ""
    set_id: int = 0
    index: int = 0


class CabinetFolder(Struct, frozen=True):
    """Where a folder's first data block is, and how many there are."""

    data_offset: int
    block_count: int
    compression: Compression


class CabinetFile(Struct, frozen=True):
    """A run of ``size`` bytes at ``offset`` of the expanded folder.

    Its record is at ``at`` and is ``record_size`` bytes long.
    """

    at: int
    name: str
    size: int
    offset: int
    folder_index: int
    continues_before: bool
    continues_after: bool
    record_size: int


def read_cabinet_header(view: View) -> CabinetHeader:
    """Return the header of a cabinet; raises :class:`FormatError`."""
    return parse_cabinet_header(view.read(0, MAX_HEADER_SIZE))


def parse_cabinet_header(data: bytes) -> CabinetHeader:
    """Return the header from the first bytes of a cabinet, :data:`MAX_HEADER_SIZE` are enough.

    Raises :class:`FormatError` when it is cut or of an unknown version.
    """
    if len(data) < HEADER_SIZE:
        raise FormatError(
            "length of the cabinet header", at=0, found=len(data), expected="36 bytes or more"
        )
    signature, size, files_offset, _minor, major, folders, files, flags, set_id, index = (
        _HEADER.unpack_from(data)
    )
    if signature != b"MSCF":
        raise FormatError("signature", at=0, found=signature, expected="b'MSCF'")
    if major != 1:
        raise FormatError("major version", at=25, found=major, expected="1")
    if flags & ~_KNOWN_FLAGS:
        raise FormatError("flags", at=30, found=hex(flags), expected="at most 0x7")
    at = HEADER_SIZE
    folder_reserve = block_reserve = 0
    if flags & _HAS_RESERVE:
        if len(data) < at + _RESERVE.size:
            raise FormatError(
                "length of the reserve sizes", at=at, found=len(data) - at, expected="4 bytes"
            )
        header_reserve, folder_reserve, block_reserve = _RESERVE.unpack_from(data, at)
        at += _RESERVE.size + header_reserve
    neighbours = ["", ""]
    for place, is_there in enumerate((flags & _HAS_PREVIOUS, flags & _HAS_NEXT)):
        if is_there:
            neighbours[place], at = _parse_name(data, at)
            _disk, at = _parse_name(data, at)
    return CabinetHeader(
        size,
        files_offset,
        at,
        folders,
        files,
        folder_reserve,
        block_reserve,
        previous=neighbours[0],
        following=neighbours[1],
        set_id=set_id,
        index=index,
    )


def parse_cabinet_folder(data: bytes, at: int) -> CabinetFolder:
    """Return the folder recorded in ``data``, which is at offset ``at`` of the cabinet."""
    if len(data) < FOLDER_SIZE:
        raise FormatError(
            "length of the folder record", at=at, found=len(data), expected="8 bytes or more"
        )
    data_offset, block_count, kind = _FOLDER.unpack_from(data)
    if kind & 0x0F not in list(Compression):
        raise FormatError("compression", at=at + 6, found=hex(kind), expected="kind 0 to 3")
    return CabinetFolder(data_offset, block_count, Compression(kind & 0x0F))


def parse_cabinet_file(data: bytes, at: int, folder_count: int) -> CabinetFile:
    """Return the file recorded in ``data``, which is at offset ``at`` of the cabinet."""
    if len(data) < FILE_SIZE:
        raise FormatError(
            "length of the file record", at=at, found=len(data), expected="16 bytes and a name"
        )
    size, offset, index = _FILE.unpack_from(data)
    name, end = _parse_name(data, FILE_SIZE, place=at)
    before = index in (_CONTINUED_FROM_PREVIOUS, _CONTINUED_BOTH_WAYS)
    after = index in (_CONTINUED_TO_NEXT, _CONTINUED_BOTH_WAYS)
    if before:
        index = 0
    elif after:
        index = folder_count - 1
    if index >= folder_count:
        raise FormatError("folder index", at=at + 8, found=index, expected=f"below {folder_count}")
    return CabinetFile(at, name, size, offset, index, before, after, end)


def iter_folders(view: View, header: CabinetHeader) -> Iterator[tuple[CabinetFolder, int]]:
    """Yield each folder with its whole type; raises :class:`FormatError`."""
    for index in range(header.folder_count):
        at = header.folders_offset + index * (FOLDER_SIZE + header.folder_reserve)
        record = view.read(at, FOLDER_SIZE)
        yield parse_cabinet_folder(record, at), _FOLDER.unpack(record)[2]


def compressions(view: View, header: CabinetHeader) -> set[Compression]:
    """Return how the folders are compressed; raises :class:`FormatError`."""
    return {folder.compression for folder, _ in iter_folders(view, header)}


def iter_files(view: View, header: CabinetHeader) -> Iterator[tuple[CabinetFile, bytes]]:
    """Yield each file with its record; raises :class:`FormatError`."""
    at = header.files_offset
    for _ in range(header.file_count):
        record = view.read(at, FILE_SIZE + MAX_NAME_SIZE + 1)
        file = parse_cabinet_file(record, at, header.folder_count)
        yield file, record[: file.record_size]
        at += file.record_size


def _parse_name(data: bytes, start: int, place: int = 0) -> tuple[str, int]:
    """Return a zero-terminated name and the offset after it."""
    end = data.find(b"\0", start, start + MAX_NAME_SIZE + 1)
    if end < 0:
        raise FormatError(
            "name",
            at=place + start,
            found=data[start : start + 16],
            expected="a name that ends with a zero byte",
        )
    return data[start:end].decode("utf-8", "replace"), end + 1
