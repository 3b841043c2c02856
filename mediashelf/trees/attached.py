"""Archives that a program carries: what a setup program that unpacks itself carries.

Where to look: for ZIP at the end of the file, whose comment has at most 65,535 bytes; for
others in the first :data:`_NEAR` bytes, among the resources, and after the program, where setup
programs have them (own choice). A signature counts only with a header that fits the file.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

from mediashelf.errors import FormatError
from mediashelf.formats.fields import View
from mediashelf.formats.packed.archive_headers import SEVEN_ZIP_START_SIZE, parse_seven_zip_start
from mediashelf.formats.packed.cabinet import HEADER_SIZE, parse_cabinet_header
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
_RESOURCES = "section .rsrc"
_CHUNK = 1 << 20
_LEAST_ATTACHED = 4096
"""Fewer bytes after a program are padding or a small note (own choice)."""

_SIGNATURES = {
    b"MSCF\0\0\0\0": Wrapping.CABINET,
    b"7z\xbc\xaf\x27\x1c": Wrapping.SEVEN_ZIP,
    b"Rar!\x1a\x07": Wrapping.RAR,
}


class Attached(NamedTuple):
    """What a program carries, and where; ``wrapping`` is None for what is not known."""

    wrapping: Wrapping | None
    start: int
    size: int


def find_attached(view: View) -> Attached | None:
    """Return the archive that a program carries, None when there is nothing in it."""
    if ends_as_zip(view):
        return Attached(Wrapping.ZIP, 0, view.size)
    for start, wrapping in _iter_signatures(view):
        size = _archive_size(view, start, wrapping)
        if size:
            return Attached(wrapping, start, size)
    end, rest = _program_end(view)
    return Attached(None, end, rest) if rest >= _LEAST_ATTACHED else None


def ends_as_zip(view: View) -> bool:
    """Return whether the end of the file is that of a ZIP archive with members."""
    try:
        directory = find_directory(view)
    except FormatError:
        return False  # the signature of an end record by accident, or a damaged one
    return directory is not None and bool(directory.entry_count or directory.is_split)


def _iter_signatures(view: View) -> Iterator[tuple[int, Wrapping]]:
    """Yield where signatures are in the first :data:`_FURTHEST` bytes, in their order."""
    done = 0
    for first, last in sorted(_likely_places(view)):
        start, end = max(first, done), min(last, view.size, _FURTHEST)
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
    yield 0, _NEAR
    if view.size > _NEAR:
        end, rest = _program_end(view)
        if rest:
            yield end, end + _NEAR
        try:
            pe_header = find_pe_header(view)
            if pe_header is not None:
                for region in read_portable_executable(view, pe_header).regions:
                    if region.name == _RESOURCES:
                        yield region.offset, region.end
        except FormatError:
            pass  # a program that is damaged


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
