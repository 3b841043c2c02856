"""7z and RAR archives: the CRCs of their headers, and of RAR members stored as they are."""

from __future__ import annotations

import zlib
from collections.abc import Callable, Iterator

from msgspec import Struct

from mediashelf.errors import FormatError
from mediashelf.findings import Severity
from mediashelf.formats.fields import View
from mediashelf.formats.packed.archive_headers import (
    MAX_RAR_BLOCK_SIZE,
    RAR5_END,
    RAR5_FILE,
    RAR5_SIGNATURE_SIZE,
    RAR_END,
    RAR_FILE,
    RAR_SIGNATURE_SIZE,
    SEVEN_ZIP_START_SIZE,
    SOURCE,
    RarBlock,
    parse_rar5_block,
    parse_rar_block,
    parse_seven_zip_start,
    rar5_header_size,
)
from mediashelf.formats.runs import iter_chunks
from mediashelf.integrity.inside.selfchecks.faults import Fault, Tally, structure_fault

_STRUCTURE = "archive-structure-holds"
_HEADER_CRC = "archive-header-crc-agrees"
_DATA_CRC = "archive-member-matches-its-crc"


def iter_seven_zip_faults(view: View, tally: Tally) -> Iterator[Fault]:
    """Yield what is wrong in the two headers of a 7z archive; its packed data are not read."""
    try:
        start = parse_seven_zip_start(view.read(0, SEVEN_ZIP_START_SIZE))
    except FormatError as error:
        yield structure_fault(_STRUCTURE, error, size=SEVEN_ZIP_START_SIZE, source=SOURCE)
        return
    if start.recorded_crc != start.computed_crc:
        yield _crc_fault("start header", 0, 32, start.computed_crc, start.recorded_crc)
        return
    end = start.next_offset + start.next_size
    if end > view.size:
        yield Fault(
            rule=_STRUCTURE,
            message=f"the archive should have at least {end:,} bytes, the file has {view.size:,}",
            offset=12,
            size=20,
            found=str(view.size),
            expected=f"at least {end}",
            source=SOURCE,
        )
        return
    found = _crc(view, start.next_offset, start.next_size)
    if found != start.next_crc:
        yield _crc_fault("next header", start.next_offset, start.next_size, found, start.next_crc)
        return
    tally.verified["headers"] += 2
    tally.unverified["packed data of archives"] += 1


def iter_rar_faults(view: View, tally: Tally) -> Iterator[Fault]:
    """Yield what is wrong in a RAR archive of the old form (1.5 to 4)."""
    # Archives of the oldest programs have no end block, and lack nothing.
    walk = _RarWalk(view, tally, RAR_FILE, RAR_END, needs_end=False)
    yield from walk.iter_faults(RAR_SIGNATURE_SIZE, _read_rar_block)


def iter_rar5_faults(view: View, tally: Tally) -> Iterator[Fault]:
    """Yield what is wrong in a RAR archive of the new form (5)."""
    walk = _RarWalk(view, tally, RAR5_FILE, RAR5_END, needs_end=True)
    yield from walk.iter_faults(RAR5_SIGNATURE_SIZE, _read_rar5_block)


def _read_rar_block(view: View, at: int) -> RarBlock:
    head = view.read(at, 7)
    size = int.from_bytes(head[5:7], "little")
    return parse_rar_block(view.read(at, min(max(size, 7), MAX_RAR_BLOCK_SIZE)), at)


def _read_rar5_block(view: View, at: int) -> RarBlock:
    return parse_rar5_block(view.read(at, rar5_header_size(view.read(at, 16), at)), at)


class _RarWalk(Struct):
    view: View
    tally: Tally
    file_kind: int
    end_kind: int
    needs_end: bool

    def iter_faults(self, at: int, read_block: Callable[[View, int], RarBlock]) -> Iterator[Fault]:
        """Go from block to block, each of which says where the next one is."""
        while at < self.view.size:
            try:
                block = read_block(self.view, at)
            except FormatError as error:
                yield structure_fault(_STRUCTURE, error, size=7, source=SOURCE)
                return
            if block.computed_crc is None:
                self.tally.unverified["old blocks whose CRC is not known"] += 1
            elif block.computed_crc != block.recorded_crc:
                # Its sizes cannot be trusted either: there is no way on.
                yield _crc_fault(
                    f"header of {block.name}" if block.name else "a block header",
                    at,
                    block.header_size,
                    block.computed_crc,
                    block.recorded_crc,
                )
                return
            else:
                self.tally.verified["headers"] += 1
            data_at = at + block.header_size
            at = data_at + block.data_size
            if at > self.view.size:
                yield self._cut(block, data_at)
                return
            if block.kind == self.file_kind:
                yield from self._iter_data_faults(block, data_at)
            if block.hides_rest:
                self.tally.unverified["archives with encrypted headers"] += 1
                return
            if block.kind == self.end_kind:
                return
        if self.needs_end:
            yield Fault(
                rule=_STRUCTURE,
                message="the archive has no end block: it was cut between two blocks",
                offset=max(0, self.view.size - 1),
                size=1,
                severity=Severity.WARNING,
                source=SOURCE,
            )
        else:
            self.tally.unverified["archives without an end block"] += 1

    def _cut(self, block: RarBlock, data_at: int) -> Fault:
        end = data_at + block.data_size
        return Fault(
            rule=_STRUCTURE,
            message=f"the data of {block.name or 'a block'} should end at byte {end:,}, "
            f"the file has {self.view.size:,}",
            offset=data_at - block.header_size,
            size=self.view.size - data_at + block.header_size,
            found=str(self.view.size),
            expected=f"at least {end}",
            source=SOURCE,
        )

    def _iter_data_faults(self, block: RarBlock, at: int) -> Iterator[Fault]:
        if not block.data_size:
            return
        if block.data_crc is None:
            self.tally.unverified["compressed or encrypted members"] += 1
            return
        found = _crc(self.view, at, block.data_size)
        if found == block.data_crc:
            self.tally.verified["stored members"] += 1
            return
        yield Fault(
            rule=_DATA_CRC,
            message=f"{block.name}: its CRC is {found:08x}, expected {block.data_crc:08x}",
            offset=at,
            size=block.data_size,
            found=f"{found:08x}",
            expected=f"{block.data_crc:08x}",
            source=SOURCE,
        )


def _crc(view: View, offset: int, size: int) -> int:
    crc = 0
    for chunk in iter_chunks(view, offset, size):
        crc = zlib.crc32(chunk, crc)
    return crc


def _crc_fault(what: str, offset: int, size: int, found: int, expected: int) -> Fault:
    return Fault(
        rule=_HEADER_CRC,
        message=f"the CRC of the {what} is {found:x}, expected {expected:x}",
        offset=offset,
        size=size,
        severity=Severity.ERROR,
        found=f"{found:x}",
        expected=f"{expected:x}",
        source=SOURCE,
    )
