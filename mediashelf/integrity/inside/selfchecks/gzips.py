"""Gzip files: header, CRC-32 and size of every member."""

from __future__ import annotations

from collections.abc import Iterator

from mediashelf.errors import FormatError
from mediashelf.findings import Severity
from mediashelf.formats.fields import View
from mediashelf.formats.packed.gzip_member import (
    MAX_HEADER_SIZE,
    SOURCE,
    TRAILER_SIZE,
    parse_gzip_header,
)
from mediashelf.formats.runs import iter_chunks
from mediashelf.integrity.inside.selfchecks.faults import (
    ExpansionAllowance,
    Fault,
    Tally,
    structure_fault,
    too_far,
)
from mediashelf.integrity.inside.selfchecks.inflate import expand

_STRUCTURE = "gzip-structure-holds"
_CHECK = "gzip-data-matches-its-crc"
_SMALL_HEADER = 512


def iter_gzip_faults(view: View, tally: Tally) -> Iterator[Fault]:
    """Yield what is wrong in a gzip file; members may follow one another (section 2.2)."""
    allowance = ExpansionAllowance(view.size)
    at = 0
    while at < view.size:
        try:
            start = at + _header_size(view, at)
        except FormatError as error:
            if at == 0:
                yield structure_fault(_STRUCTURE, error, size=10, source=SOURCE)
            else:
                yield from _trailing(view, at)
            return
        stream = expand(view, start, view.size - start, limit=allowance.left)
        allowance.take(min(stream.size, allowance.left))
        end = start + stream.consumed
        if stream.is_over:
            tally.unverified["members that expand too far"] += 1
            yield too_far("the rest of the data was", at, view.size - at)
            return
        trailer = view.read(end, TRAILER_SIZE)
        if not stream.is_complete or len(trailer) < TRAILER_SIZE:
            reason = stream.error or "the file ends before the data do"
            yield Fault(
                rule=_CHECK,
                message=f"the data cannot be expanded to their end: {reason}",
                offset=start,
                size=view.size - start,
                found=reason,
                expected="a complete deflate stream, then CRC and size",
                source=SOURCE,
            )
            return
        recorded = int.from_bytes(trailer[:4], "little"), int.from_bytes(trailer[4:], "little")
        found = stream.crc, stream.size & 0xFFFFFFFF
        if found != recorded:
            yield Fault(
                rule=_CHECK,
                message=f"CRC and size of the data are {found[0]:08x} and {found[1]:,}, "
                f"recorded are {recorded[0]:08x} and {recorded[1]:,}",
                offset=start,
                size=end + TRAILER_SIZE - start,
                found=f"{found[0]:08x} {found[1]}",
                expected=f"{recorded[0]:08x} {recorded[1]}",
                source=SOURCE,
            )
        else:
            tally.verified["members"] += 1
            tally.nested_archives += stream.is_archive
        at = end + TRAILER_SIZE


def _header_size(view: View, at: int) -> int:
    """Return the length of a member's header; few are longer than a few hundred bytes."""
    try:
        return parse_gzip_header(view.read(at, _SMALL_HEADER), at)
    except FormatError:
        return parse_gzip_header(view.read(at, MAX_HEADER_SIZE), at)


def _trailing(view: View, at: int) -> Iterator[Fault]:
    """Zeros after the last member are padding (common practice); anything else is not."""
    if any(chunk.strip(b"\0") for chunk in iter_chunks(view, at)):
        yield Fault(
            rule=_STRUCTURE,
            message=f"{view.size - at:,} bytes after the last member are not gzip data",
            offset=at,
            size=view.size - at,
            severity=Severity.WARNING,
            source=SOURCE,
        )
