"""The members of a ZIP archive: central record against local header, and CRC of the data."""

from __future__ import annotations

import zlib
from array import array
from collections.abc import Iterator

from msgspec import Struct, field
from msgspec.structs import replace

from mediashelf.errors import FormatError
from mediashelf.formats.fields import View
from mediashelf.formats.packed.zip_records import (
    CENTRAL_SIZE,
    DEFLATED,
    DESCRIPTOR_SIGNATURE,
    LOCAL_SIZE,
    METHODS,
    SOURCE,
    STORED,
    ZipMember,
    local_header_size,
    parse_local_header,
)
from mediashelf.formats.runs import iter_chunks
from mediashelf.integrity.inside.selfchecks.faults import (
    ExpansionAllowance,
    Fault,
    Tally,
    structure_fault,
    too_far,
)
from mediashelf.integrity.inside.selfchecks.inflate import Expanded, expand

STRUCTURE = "zip-structure-holds"
_HEADERS = "zip-headers-agree"
_CRC = "zip-members-match-their-crc"


class MemberCheck(Struct):
    """Checks the members of one archive, one after the other.

    ``prefix`` bytes come before what the archive's offsets count from; members
    must end before ``directory_at``. ``spans`` gathers where each member begins
    and ends.
    """

    view: View
    tally: Tally
    prefix: int
    directory_at: int
    allowance: ExpansionAllowance
    spans: array[int] = field(default_factory=lambda: array("Q"))

    def iter_faults(self, member: ZipMember, at: int) -> Iterator[Fault]:
        """Yield what is wrong with one member, whose central record is at ``at``."""
        name = member.shown_name
        header_at = member.offset + self.prefix
        try:
            local = parse_local_header(self._read_header(header_at), header_at)
        except FormatError as error:
            fault = structure_fault(STRUCTURE, error, size=LOCAL_SIZE, source=SOURCE)
            yield replace(fault, message=f"{name}: {fault.message}")
            return
        yield from self._compare(member, local, header_at)
        data_at = header_at + local.record_size
        data_end = data_at + member.stored_size
        if data_end > self.directory_at:
            yield Fault(
                rule=STRUCTURE,
                message=f"{name}: its data should end at byte {data_end:,}, "
                f"but the directory begins at {self.directory_at:,}",
                offset=at,
                size=CENTRAL_SIZE,
                found=str(data_end),
                expected=f"at most {self.directory_at}",
                source=SOURCE,
            )
            return
        self.spans.extend((header_at, data_end))
        yield from self._iter_data_faults(member, data_at)
        yield from self._iter_descriptor_faults(member, data_end)

    def _read_header(self, at: int) -> bytes:
        if not 0 <= at < self.directory_at:
            return b""
        size = local_header_size(self.view.read(at, LOCAL_SIZE))
        return self.view.read(at, min(size, self.directory_at - at))

    def _compare(self, member: ZipMember, local: ZipMember, header_at: int) -> Iterator[Fault]:
        """Compare the two records of a member, field by field."""
        pairs: list[tuple[str, object, object]] = [
            ("name", local.name, member.name),
            ("method", local.method, member.method),
            ("encryption", local.is_encrypted, member.is_encrypted),
        ]
        if not local.has_descriptor:
            pairs += [
                ("CRC", f"{local.crc:08x}", f"{member.crc:08x}"),
                ("stored size", local.stored_size, member.stored_size),
                ("size", local.size, member.size),
            ]
        for what, found, expected in pairs:
            if found != expected:
                yield Fault(
                    rule=_HEADERS,
                    message=f"{member.shown_name}: the local header's {what} is {found!r}, "
                    f"the central directory's {expected!r}",
                    offset=header_at,
                    size=local.record_size,
                    found=repr(found),
                    expected=repr(expected),
                    source=SOURCE,
                )

    def _iter_data_faults(self, member: ZipMember, at: int) -> Iterator[Fault]:
        name = member.shown_name
        if member.is_encrypted:
            self.tally.unverified["encrypted members"] += 1
        elif member.method not in (STORED, DEFLATED):
            method = METHODS.get(member.method, "unknown")
            self.tally.unverified[f"members of the method {method}"] += 1
        elif not self.allowance.take(member.stored_size + member.size):
            self.tally.unverified["members that expand too far"] += 1
            what = f"{name}: its {member.size:,} bytes were"
            yield too_far(what, at, member.stored_size)
        else:
            result = self._read(member, at)
            problem = _problem(member, result)
            if problem:
                yield Fault(
                    rule=_CRC,
                    message=f"{name}: {problem}",
                    offset=at,
                    size=member.stored_size,
                    found=result.error or f"{result.crc:08x}",
                    expected=f"{member.crc:08x}",
                    source=SOURCE,
                )
            else:
                self.tally.verified["members"] += 1
                self.tally.nested_archives += result.is_archive

    def _read(self, member: ZipMember, at: int) -> Expanded:
        if member.method == DEFLATED:
            return expand(self.view, at, member.stored_size, limit=member.size)
        size = crc = 0
        head = b""
        for chunk in iter_chunks(self.view, at, member.stored_size):
            crc = zlib.crc32(chunk, crc)
            size += len(chunk)
            head = head or chunk[:16]
        return Expanded(size, size, crc, True, False, "", head)

    def _iter_descriptor_faults(self, member: ZipMember, at: int) -> Iterator[Fault]:
        """Compare the descriptor after the data, where it has a signature to know it by."""
        data = self.view.read(at, min(8, self.directory_at - at))
        if not (member.has_descriptor and data[:4] == DESCRIPTOR_SIGNATURE and len(data) == 8):
            return
        found = int.from_bytes(data[4:8], "little")
        if found != member.crc:
            yield Fault(
                rule=_HEADERS,
                message=f"{member.shown_name}: the CRC after its data is {found:08x}, "
                f"the central directory's {member.crc:08x}",
                offset=at,
                size=8,
                found=f"{found:08x}",
                expected=f"{member.crc:08x}",
                source=SOURCE,
            )


def _problem(member: ZipMember, result: Expanded) -> str:
    """Return what is wrong with a member's data, or an empty text."""
    if result.error:
        return f"its data cannot be expanded: {result.error}"
    if result.is_over:
        return f"expands to more than its {member.size:,} bytes"
    if not result.is_complete or result.size != member.size:
        return f"has {result.size:,} bytes, expected {member.size:,}"
    if result.crc != member.crc:
        return f"its CRC is {result.crc:08x}, expected {member.crc:08x}"
    return ""
