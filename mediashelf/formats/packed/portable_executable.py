"""PE programs: sections, certificate table and the checksum of the whole file.

Layouts and checksum are from memory.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass

from mediashelf.errors import FormatError
from mediashelf.formats.fields import View
from mediashelf.formats.packed.programs import Region
from mediashelf.formats.runs import iter_chunks

SOURCE = "portable executable format, from memory"

SUBSYSTEM_NATIVE = 1

_COFF = struct.Struct("<4sHHIIIHH")
_SECTION = struct.Struct("<8sIIII")
_SECTION_SIZE = 40
_CERTIFICATE_DIRECTORY = 4
_PE32, _PE32_PLUS = 0x10B, 0x20B


@dataclass(frozen=True, slots=True)
class PortableExecutable:
    """What a PE header says; a ``checksum`` of 0 means that none was recorded.

    ``checksum_at`` is its offset in the file. ``subsystem`` is 1 for
    drivers.
    """

    regions: tuple[Region, ...]
    checksum: int
    checksum_at: int
    subsystem: int


def read_portable_executable(view: View, start: int) -> PortableExecutable:
    """Return the header at ``start``; raises :class:`FormatError` when it is cut or nonsense."""
    head = view.read(start, _COFF.size)
    if len(head) < _COFF.size:
        raise FormatError("length of the PE header", at=start, found=len(head), expected="24 bytes")
    _, _machine, section_count, _, _, _, optional_size, _ = _COFF.unpack(head)
    optional_at = start + _COFF.size
    optional = view.read(optional_at, optional_size)
    if len(optional) < max(optional_size, 96):
        raise FormatError(
            "length of the optional header",
            at=optional_at,
            found=len(optional),
            expected=f"{max(optional_size, 96)} bytes",
        )
    (magic,) = struct.unpack_from("<H", optional)
    if magic not in (_PE32, _PE32_PLUS):
        raise FormatError(
            "kind of optional header", at=optional_at, found=hex(magic), expected="0x10b or 0x20b"
        )
    headers_size, checksum, subsystem = struct.unpack_from("<IIH", optional, 60)
    regions = [Region("headers", 0, headers_size, optional_at + 60, 4, headers_size)]
    regions += _certificates(optional, optional_at, 96 if magic == _PE32 else 112)
    table_at = optional_at + optional_size
    table = view.read(table_at, _SECTION_SIZE * section_count)
    if len(table) < _SECTION_SIZE * section_count:
        raise FormatError(
            "length of the section table",
            at=table_at,
            found=len(table),
            expected=f"{_SECTION_SIZE * section_count} bytes",
        )
    for number in range(section_count):
        at = _SECTION_SIZE * number
        name, memory_size, _address, size, offset = _SECTION.unpack_from(table, at)
        if not size or not offset:
            continue  # no bytes in the file
        shown = name.rstrip(b"\0").decode("ascii", "replace") or str(number + 1)
        # Bytes beyond the size in memory are padding up to the file alignment.
        needed = min(size, memory_size) if memory_size else size
        regions.append(
            Region(f"section {shown}", offset, size, table_at + at, _SECTION_SIZE, needed)
        )
    return PortableExecutable(tuple(regions), checksum, optional_at + 64, subsystem)


def _certificates(optional: bytes, optional_at: int, directories_at: int) -> list[Region]:
    """Return the certificate table: the one data directory that counts from the file's start."""
    if len(optional) < directories_at:
        return []
    (count,) = struct.unpack_from("<I", optional, directories_at - 4)
    at = directories_at + 8 * _CERTIFICATE_DIRECTORY
    if count <= _CERTIFICATE_DIRECTORY or len(optional) < at + 8:
        return []
    offset, size = struct.unpack_from("<II", optional, at)
    return [Region("certificates", offset, size, optional_at + at, 8, size)] if size else []


def compute_pe_checksum(view: View, checksum_at: int) -> int:
    """Return the checksum that the header of this file should have.

    The 16-bit words of the file, with the recorded checksum taken as zero, are
    added with end-around carry; then the file's size is added. Such a sum is the
    remainder modulo 65535 (of 0 and 65535 the latter, unless all words are 0).
    """
    total, has_bits = 0, False
    for chunk in iter_chunks(view):  # of an even size, but for the last
        number = int.from_bytes(chunk, "little")
        has_bits = has_bits or bool(number)
        total = (total + number) % 0xFFFF
    recorded = view.read(checksum_at, 4)
    if checksum_at % 2:
        recorded = b"\0" + recorded
    total = (total - int.from_bytes(recorded, "little")) % 0xFFFF
    if not total and has_bits:
        total = 0xFFFF
    return total + view.size
