"""PE programs: sections, certificate table and the checksum of the whole file.

Layouts and checksum are from memory, but for the places of checksum and certificate table
and for the bytes that a catalog's digest is of: PE Format, Appendix A ("Calculating
Authenticode PE Image Hash").
"""

from __future__ import annotations

import struct

from msgspec import Struct

from mediashelf.errors import FormatError
from mediashelf.formats.fields import View
from mediashelf.formats.packed.programs import Region
from mediashelf.formats.runs import iter_chunks

SOURCE = "portable executable format, from memory"

SUBSYSTEM_NATIVE = 1
CERTIFICATES = "certificates"

_COFF = struct.Struct("<4sHHIIIHH")
_SECTION = struct.Struct("<8sIIII")
_SECTION_SIZE = 40
_CERTIFICATE_DIRECTORY = 4
_PE_OFFSET_FIELD = 60
_PE32, _PE32_PLUS = 0x10B, 0x20B


class PortableExecutable(Struct, frozen=True):
    """What a PE header says; a ``checksum`` of 0 means that none was recorded.

    ``checksum_at`` is its offset in the file. ``subsystem`` is 1 for
    drivers. ``certificates_at`` is the offset of the header's 8 bytes about the
    certificate table, or None where the header ends before them.
    """

    regions: tuple[Region, ...]
    checksum: int
    checksum_at: int
    subsystem: int
    certificates_at: int | None = None


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
            expected=f"{max(optional_size, 96):,} bytes",
        )
    (magic,) = struct.unpack_from("<H", optional)
    if magic not in (_PE32, _PE32_PLUS):
        raise FormatError(
            "kind of optional header", at=optional_at, found=hex(magic), expected="0x10b or 0x20b"
        )
    headers_size, checksum, subsystem = struct.unpack_from("<IIH", optional, 60)
    regions = [Region("headers", 0, headers_size, optional_at + 60, 4, headers_size)]
    certificates_at = _find_certificates(optional, 96 if magic == _PE32 else 112)
    if certificates_at is not None:
        offset, size = struct.unpack_from("<II", optional, certificates_at)
        certificates_at += optional_at
        if size:
            regions.append(Region(CERTIFICATES, offset, size, certificates_at, 8, size))
    table_at = optional_at + optional_size
    table = view.read(table_at, _SECTION_SIZE * section_count)
    if len(table) < _SECTION_SIZE * section_count:
        raise FormatError(
            "length of the section table",
            at=table_at,
            found=len(table),
            expected=f"{_SECTION_SIZE * section_count:,} bytes",
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
    return PortableExecutable(
        tuple(regions), checksum, optional_at + 64, subsystem, certificates_at
    )


def _find_certificates(optional: bytes, directories_at: int) -> int | None:
    """Return where the one data directory is that counts from the file's start."""
    if len(optional) < directories_at:
        return None
    (count,) = struct.unpack_from("<I", optional, directories_at - 4)
    at = directories_at + 8 * _CERTIFICATE_DIRECTORY
    return at if count > _CERTIFICATE_DIRECTORY and len(optional) >= at + 8 else None


def find_pe_header(view: View) -> int | None:
    """Return the offset of the PE header in a file, or None.

    Nothing else of the DOS header counts for it: kernels and boot programs have code or
    zeros in the fields of a DOS program (common practice).
    """
    head = view.read(0, _PE_OFFSET_FIELD + 4)
    offset = int.from_bytes(head[_PE_OFFSET_FIELD:], "little")
    is_there = head.startswith(b"MZ") and offset and view.read(offset, 4) == b"PE\0\0"
    return offset if is_there else None


def image_ranges(program: PortableExecutable, size: int) -> list[list[tuple[int, int]]]:
    """Return the bytes that a catalog's digest of a program may be of: starts and ends.

    The whole file but checksum, place of the certificate table, and that table itself.
    Whether data after the last section belongs to it is not clear from the text, so
    where there is any a second reading leaves it out.
    """
    table = [region for region in program.regions if region.name == CERTIFICATES]
    gaps = [(program.checksum_at, program.checksum_at + 4)]
    if program.certificates_at is not None:
        gaps.append((program.certificates_at, program.certificates_at + 8))
    last = max(region.end for region in program.regions if region.name != CERTIFICATES)
    end = min([size, *(region.offset for region in table)])
    ends = [size, last] if last < end else [size]
    readings = []
    for cut in ends:
        skipped = sorted([*gaps, *((region.offset, region.end) for region in table)])
        starts = [0, *(end for _, end in skipped)]
        stops = [*(start for start, _ in skipped), cut]
        ranges = zip(starts, stops, strict=True)
        readings.append([(start, min(stop, cut)) for start, stop in ranges if start < stop])
    return readings


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
