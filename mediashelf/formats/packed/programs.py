"""Programs, drivers and libraries of DOS and Windows families: what their headers place where.

Every such file begins with an MZ header. A new header may follow it: NE (16-bit),
LE (virtual device drivers) or PE (32 and 64 bits). Each header names regions of
the file; a file that was cut has regions beyond its end. All numbers are
little-endian but for the page numbers of LE. Layouts are from memory.
"""

from __future__ import annotations

import struct
from typing import NamedTuple

from msgspec import Struct

from mediashelf.errors import FormatError
from mediashelf.formats.fields import View

SOURCE = "program header formats, from memory"

MZ_SIZE = 64
_MZ_MINIMUM = 28
_PAGE = 512
_NEW_HEADER_FIELD = 60
_SYSTEM_FIELD = 54  # of an NE header
_SYSTEM_OS2 = 1  # keeps resources in another form
_RELOCATIONS_OF_NEW = 64  # programs with a new header put their relocations at or after it


class Region(NamedTuple):
    """Bytes that a header says are in the file.

    ``at`` and ``record_size`` tell which part of the header says so.
    ``needed_size`` is what is left of ``size`` without padding.
    """

    name: str
    offset: int
    size: int
    at: int
    record_size: int
    needed_size: int

    @property
    def end(self) -> int:
        """The offset after its last byte."""
        return self.offset + self.size


class MzHeader(Struct, frozen=True):
    """The DOS header: how long the DOS program is, and where a new header may be.

    ``size`` counts header and program. ``new_offset`` is 0 where the field is
    not meant as such.
    """

    size: int
    header_size: int
    new_offset: int


def parse_mz_header(data: bytes) -> MzHeader:
    """Return the header from a file's first 64 bytes; raises :class:`FormatError` for nonsense."""
    if len(data) < _MZ_MINIMUM:
        raise FormatError("length of the MZ header", at=0, found=len(data), expected="28 bytes")
    last_page, pages, _relocations, paragraphs = struct.unpack_from("<HHHH", data, 2)
    if last_page > _PAGE:
        raise FormatError("bytes in the last page", at=2, found=last_page, expected="at most 512")
    size = pages * _PAGE - (_PAGE - last_page if last_page else 0)
    header_size = paragraphs * 16
    if not pages or size < header_size:
        raise FormatError(
            "size of the DOS program", at=4, found=size, expected=f"at least {header_size}"
        )
    new_offset = 0
    if len(data) >= MZ_SIZE and struct.unpack_from("<H", data, 24)[0] >= _RELOCATIONS_OF_NEW:
        (new_offset,) = struct.unpack_from("<I", data, _NEW_HEADER_FIELD)
    return MzHeader(size, header_size, new_offset)


def read_ne_regions(view: View, start: int) -> list[Region]:
    """Return the segments, resources and names of the program whose NE header is at ``start``."""
    header = _header(view, start, 64, "NE")
    (names_size,) = struct.unpack_from("<H", header, 32)
    (names_offset,) = struct.unpack_from("<I", header, 44)
    (segment_count,) = struct.unpack_from("<H", header, 28)
    segments, resources, resident_names = struct.unpack_from("<HHH", header, 34)
    shift = struct.unpack_from("<H", header, 50)[0] or 9
    if shift > 15:
        raise FormatError("alignment shift", at=start + 50, found=shift, expected="at most 15")
    regions = [_region("non-resident names", names_offset, names_size, start + 44, 4)]
    at = start + segments
    table = view.read(at, 8 * segment_count)
    if len(table) < 8 * segment_count:
        raise FormatError(
            "length of the segment table", at=at, found=len(table), expected=str(8 * segment_count)
        )
    for number in range(segment_count):
        offset, size, flags, _memory = struct.unpack_from("<HHHH", table, 8 * number)
        if not offset:
            continue  # no bytes in the file
        offset <<= shift
        size = size or 0x10000
        name = f"segment {number + 1}"
        regions.append(_region(name, offset, size, at + 8 * number, 8))
        if flags & 0x0100:  # relocations follow the segment
            count = int.from_bytes(view.read(offset + size, 2), "little")
            regions.append(
                _region(f"relocations of {name}", offset + size, 2 + 8 * count, at + 8 * number, 8)
            )
    if resources < resident_names and header[_SYSTEM_FIELD] != _SYSTEM_OS2:
        regions += _ne_resources(view, start + resources, resident_names - resources)
    return regions


def _ne_resources(view: View, at: int, size: int) -> list[Region]:
    """Return the resources; the table ends with a type of 0 and before the resident names."""
    table = view.read(at, size)
    if len(table) < 4:
        return []
    regions: list[Region] = []
    (shift,) = struct.unpack_from("<H", table)
    place = 2
    while shift <= 15 and place + 8 <= len(table):
        kind, count = struct.unpack_from("<HH", table, place)
        if not kind:
            break
        place += 8
        for _ in range(count):
            if place + 12 > len(table):
                return regions
            offset, length = struct.unpack_from("<HH", table, place)
            # Lengths are rounded up, and the rest of the last unit may not be in the file.
            size = ((length - 1) << shift) + 1 if length else 0
            regions.append(_region("resource", offset << shift, size, at + place, 12))
            place += 12
    return regions


def read_le_regions(view: View, start: int) -> list[Region]:
    """Return the tables and pages of the virtual device driver whose LE header is at ``start``."""
    header = _header(view, start, 0x94, "LE")
    pages, page_size, last_page = struct.unpack_from("<I16xII", header, 0x14)
    objects, object_count, page_map = struct.unpack_from("<III", header, 0x40)
    data_pages, _, names_offset, names_size = struct.unpack_from("<IIII", header, 0x80)
    if not 0 < page_size <= 1 << 16 or pages > 1 << 20:
        raise FormatError(
            "page size", at=start + 0x28, found=page_size, expected="1 to 65536, usually 4096"
        )
    regions = [
        _region("object table", start + objects, 24 * object_count, start + 0x40, 8),
        _region("page map", start + page_map, 4 * pages, start + 0x48, 4),
        _region("non-resident names", names_offset, names_size, start + 0x88, 8),
    ]
    table = view.read(start + page_map, 4 * pages)
    highest = 0
    for entry in range(0, len(table) - 3, 4):
        if table[entry + 3] == 0:  # a page with bytes in the file; number high byte first
            highest = max(highest, int.from_bytes(table[entry : entry + 3], "big"))
    if 0 < highest <= pages:
        size = (highest - 1) * page_size + (last_page if highest == pages else page_size)
        regions.append(_region("pages", data_pages, size, start + 0x80, 4))
    return regions


def _header(view: View, start: int, size: int, name: str) -> bytes:
    data = view.read(start, size)
    if len(data) < size:
        raise FormatError(
            f"length of the {name} header", at=start, found=len(data), expected=f"{size:,} bytes"
        )
    return data


def _region(name: str, offset: int, size: int, at: int, record_size: int) -> Region:
    return Region(name, offset, size, at, record_size, size)
