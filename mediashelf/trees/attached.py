"""Archives that a program carries: what a setup program that unpacks itself carries.

Where to look: for ZIP at the end of the file, whose comment has at most 65,535 bytes; for
others after the program, and in the sections that its section table lists, but for code; in
the first :data:`_NEAR` bytes of programs that have no such table (own choice). A signature
counts only with a header that fits the file.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import islice
from typing import NamedTuple

from mediashelf.errors import FormatError
from mediashelf.formats.fields import View
from mediashelf.formats.packed.archive_headers import (
    LHA_HEADER_SIZE,
    LHA_METHOD,
    SEVEN_ZIP_START_SIZE,
    is_lha_header,
    parse_seven_zip_start,
)
from mediashelf.formats.packed.cabinets.records import HEADER_SIZE, parse_cabinet_header
from mediashelf.formats.packed.portable_executable import (
    CERTIFICATES,
    find_pe_header,
    read_portable_executable,
)
from mediashelf.formats.packed.programs import MZ_SIZE, parse_mz_header, read_ne_regions
from mediashelf.formats.packed.zip_directory import find_directory
from mediashelf.trees.wrappings import Wrapping

_FURTHEST = 64 << 20
_NEAR = 2 << 20
_NO_DATA = frozenset({CERTIFICATES, "headers", "section .text", "section .reloc"})
"""Parts of a program in which there is no archive."""
_CHUNK = 1 << 20
_MOST_SIGNATURES = 10_000
_LEAST_ATTACHED = 4096
"""Fewer bytes after a program are padding or a small note (own choice)."""

_LARGEST_COM = 1 << 16

_SIGNATURES = {
    b"MSCF\0\0\0\0": Wrapping.CABINET,
    b"7z\xbc\xaf\x27\x1c": Wrapping.SEVEN_ZIP,
    b"Rar!\x1a\x07": Wrapping.RAR,
}


_BEGINNINGS = {**_SIGNATURES, b"PK\3\4": Wrapping.ZIP}


class Attached(NamedTuple):
    """What a program carries, and where; ``wrapping`` is None for what is not known."""

    wrapping: Wrapping | None
    start: int
    size: int


def find_attached(view: View) -> Attached | None:
    """Return the archive that a program carries, None when there is nothing in it."""
    if ends_as_zip(view):
        return Attached(Wrapping.ZIP, 0, view.size)
    for start, wrapping in islice(_iter_signatures(view), _MOST_SIGNATURES):
        size = _archive_size(view, start, wrapping)
        if size:
            return Attached(wrapping, start, size)
    end, rest = _program_end(view)
    for start in (end, end + 1) if rest else ():  # Windows programs of 16 bits end at an even byte
        if is_lha_header(view.read(start, LHA_HEADER_SIZE)):
            return Attached(Wrapping.LHA, start, view.size - start)
    if rest < _LEAST_ATTACHED:
        return None
    # An archive that is cut short has nothing else to be known by than where it begins.
    head = view.read(end, 8)
    begun = (kind for mark, kind in _BEGINNINGS.items() if head.startswith(mark))
    return Attached(next(begun, None), end, rest)


def find_in_com(view: View) -> Attached | None:
    """Return the LHA archive that a .COM program carries, which begins with a jump; else None."""
    head = view.read(0, _LARGEST_COM)
    if head[:1] not in (b"\xe9", b"\xeb"):
        return None
    for found in islice(LHA_METHOD.finditer(head), _MOST_SIGNATURES):
        start = found.start() - 2
        if start > 0 and is_lha_header(head[start : start + LHA_HEADER_SIZE]):
            return Attached(Wrapping.LHA, start, view.size - start)
    return None


def ends_as_zip(view: View) -> bool:
    """Return whether the end of the file is that of a ZIP archive with members."""
    try:
        directory = find_directory(view)
    except FormatError:
        return False  # the signature of an end record by accident, or a damaged one
    return directory is not None and bool(directory.entry_count or directory.is_split)


def _iter_signatures(view: View) -> Iterator[tuple[int, Wrapping]]:
    """Yield where signatures are, in their order; of one place :data:`_FURTHEST` bytes count."""
    done = 0
    for first, last in sorted(_likely_places(view)):
        start, end = max(first, done), min(last, view.size, max(first, done) + _FURTHEST)
        before = view.read(start - 7, 7) if start >= 7 else b""
        for at in range(start, end, _CHUNK):
            data = before + view.read(at, min(_CHUNK, end - at))
            base = at - len(before)
            found = []
            for signature, wrapping in _SIGNATURES.items():
                place = data.find(signature)
                while place >= 0:
                    found.append((base + place, wrapping))
                    place = data.find(signature, place + 1)
            yield from sorted(found)
            before = data[-7:]
        done = max(done, end)


def _likely_places(view: View) -> Iterator[tuple[int, int]]:
    """Yield the runs of bytes, first and last, that are searched; they may overlap."""
    end, rest = _program_end(view)
    if rest:
        yield end, end + _FURTHEST
    try:
        pe_header = find_pe_header(view)
        regions = read_portable_executable(view, pe_header).regions if pe_header is not None else ()
    except FormatError:
        regions = ()  # a program that is damaged
    if not regions:
        yield 0, _NEAR
    for region in regions:
        if region.name not in _NO_DATA:
            yield region.offset, region.end


def _archive_size(view: View, start: int, wrapping: Wrapping) -> int:
    """Return how long the archive at ``start`` is, 0 when there is none."""
    rest = view.size - start
    try:
        if wrapping is Wrapping.CABINET:
            header = parse_cabinet_header(view.read(start, HEADER_SIZE + 1024))
            return header.size if HEADER_SIZE < header.size <= rest and header.file_count else 0
        if wrapping is Wrapping.SEVEN_ZIP:
            found = parse_seven_zip_start(view.read(start, SEVEN_ZIP_START_SIZE))
            is_whole = found.recorded_crc == found.computed_crc
            return rest if is_whole and found.next_offset + found.next_size <= rest else 0
    except FormatError:
        return 0
    return rest if start == _program_end(view)[0] else 0


def _program_end(view: View) -> tuple[int, int]:
    """Return where the program ends, and how many bytes follow that are not its signature."""
    end, size = view.size, view.size
    try:
        pe_header = find_pe_header(view)
        header = parse_mz_header(view.read(0, MZ_SIZE))
        if pe_header is not None:
            regions = read_portable_executable(view, pe_header).regions
            end = max(region.end for region in regions if region.name != CERTIFICATES)
            signed = [region.offset for region in regions if region.name == CERTIFICATES]
            size = min([size, *signed])
        elif header.new_offset and view.read(header.new_offset, 2) == b"NE":
            end = max(region.end for region in read_ne_regions(view, header.new_offset))
        elif not header.new_offset or header.new_offset >= view.size:
            end = header.size
    except FormatError:
        pass
    return end, max(0, size - end)
