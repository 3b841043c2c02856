"""Compressed single files (``NAME.EX_``): header, and recorded length against the data."""

from __future__ import annotations

from collections.abc import Iterator

from mediashelf.errors import FormatError
from mediashelf.findings import Severity
from mediashelf.formats.fields import View
from mediashelf.formats.packed.compressed import (
    MAX_KWAJ_HEADER_SIZE,
    METHOD_INVERTED,
    METHOD_LZSS,
    METHOD_STORED,
    SOURCE,
    LzssLength,
    parse_compressed_header,
)
from mediashelf.formats.runs import iter_chunks
from mediashelf.integrity.inside.selfchecks.faults import Fault, Tally, structure_fault

_STRUCTURE = "compressed-header-holds"
_LENGTH = "compressed-length-agrees"


def iter_compressed_faults(view: View, tally: Tally) -> Iterator[Fault]:
    """Yield what is wrong in a compressed file.

    The formats have no checksum: what can be verified is that the data expand
    to the recorded length, which a cut file and most damage to a match miss.
    """
    try:
        header = parse_compressed_header(view.read(0, MAX_KWAJ_HEADER_SIZE))
    except FormatError as error:
        yield structure_fault(_STRUCTURE, error, size=14, source=SOURCE)
        return
    if header.size is None:
        tally.unverified["files without a recorded length"] += 1
        return
    if header.method in (METHOD_STORED, METHOD_INVERTED):
        size = view.size - header.data_offset
    elif header.method == METHOD_LZSS:
        counter = LzssLength()
        for chunk in iter_chunks(view, header.data_offset):
            counter.update(chunk)
        size = counter.finish(header.size)
    else:
        tally.unverified["files of the LZ-Huffman or MSZIP method: header only"] += 1
        return
    if size == header.size:
        tally.verified["recorded lengths"] += 1
        return
    is_short = size < header.size
    yield Fault(
        rule=_LENGTH,
        message=f"the data expand to {size:,} bytes, recorded are {header.size:,}"
        + ("" if is_short else "; bytes were added or changed"),
        offset=header.data_offset,
        size=view.size - header.data_offset,
        severity=Severity.ERROR if is_short else Severity.WARNING,
        found=str(size),
        expected=str(header.size),
        source=SOURCE,
    )
