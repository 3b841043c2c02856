"""ZIP archives: end record, central directory against local headers, CRC of every member."""

from __future__ import annotations

from array import array
from collections.abc import Iterator
from dataclasses import replace

from mediashelf.errors import FormatError
from mediashelf.findings import Severity
from mediashelf.formats.fields import View
from mediashelf.formats.zip_records import (
    CENTRAL_SIZE,
    END64_SIZE,
    END_SIZE,
    LOCATOR_SIZE,
    MAX_COMMENT_SIZE,
    SOURCE,
    ZipEnd,
    central_record_size,
    find_zip_end,
    needs_zip64,
    parse_central_record,
    parse_zip64_end,
    parse_zip64_locator,
)
from mediashelf.integrity.selfchecks.faults import Allowance, Fault, Tally, structure_fault
from mediashelf.integrity.selfchecks.zip_members import STRUCTURE, MemberCheck


def check_zip(view: View, tally: Tally) -> Iterator[Fault]:
    """Yield what is wrong in a ZIP archive, which may stand behind a program.

    Every stored or deflated member is read and its CRC computed. Encrypted
    members and other methods are compared by their headers only, which the
    tally says.
    """
    tail_size = min(view.size, END_SIZE + MAX_COMMENT_SIZE)
    end = find_zip_end(view.read(view.size - tail_size, tail_size), view.size - tail_size)
    if end is None:
        yield Fault(
            rule=STRUCTURE,
            message="the archive has no end record: its end is missing or overwritten",
            offset=0,
            size=view.size,
            source=SOURCE,
        )
        return
    if end.is_split:
        tally.unverified["archives split over several files"] += 1
        return
    try:
        end, directory_end = _widened(view, end)
        prefix = directory_end - end.directory_size - end.directory_offset
        if prefix < 0:
            raise FormatError(
                "place of the central directory",
                at=end.at,
                found=end.directory_offset,
                expected=f"{end.directory_size} bytes before {directory_end}",
            )
    except FormatError as error:
        yield structure_fault(STRUCTURE, error, size=END_SIZE, source=SOURCE)
        return
    directory_at = prefix + end.directory_offset
    members = MemberCheck(view, tally, prefix, directory_at, Allowance(view.size))
    yield from _walk_directory(members, end, directory_end)
    yield from _overlaps(members.spans)


def check_attached_zip(view: View, start: int, tally: Tally) -> Iterator[Fault]:
    """Yield what is wrong in a ZIP archive that begins at ``start``, behind a program.

    Its offsets may count from the program's start or from its own. Installers
    of other kinds also keep local headers without ever ending them, so a missing
    end is a warning only.
    """
    tally.files += 1
    for fault in check_zip(view, tally):
        if fault.offset == 0:
            fault = replace(
                fault,
                message="what looks like an archive behind the program has no end record: "
                "the file was cut, or this is no archive",
                offset=start,
                size=view.size - start,
                severity=Severity.WARNING,
            )
        yield fault


def _widened(view: View, end: ZipEnd) -> tuple[ZipEnd, int]:
    """Return the end record, the 64-bit one if there is one, and where the directory ends."""
    locator_at = end.at - LOCATOR_SIZE
    offset = parse_zip64_locator(view.read(locator_at, LOCATOR_SIZE)) if locator_at >= 0 else None
    if offset is None or not needs_zip64(end):
        return end, end.at
    # Behind a program the recorded place may be counted from the archive's start.
    usual = locator_at - END64_SIZE
    at = offset if view.read(offset, 4) == b"PK\6\6" else max(usual, 0)
    return parse_zip64_end(view.read(at, END64_SIZE), at), at


def _walk_directory(members: MemberCheck, end: ZipEnd, directory_end: int) -> Iterator[Fault]:
    """Check member after member, as the central directory names them."""
    view, at = members.view, members.directory_at
    for number in range(end.entry_count):
        size = central_record_size(view.read(at, CENTRAL_SIZE))
        data = view.read(at, max(0, min(size, directory_end - at)))
        try:
            member = parse_central_record(data, at)
        except FormatError as error:
            yield structure_fault(STRUCTURE, error, size=CENTRAL_SIZE, source=SOURCE)
            left = end.entry_count - number
            members.tally.unverified["members behind a broken directory"] += left
            return
        yield from members.check(member, at)
        at += member.record_size
    if at != directory_end:
        yield Fault(
            rule=STRUCTURE,
            message=f"the central directory ends at byte {at:,}, not {directory_end:,}",
            offset=min(at, directory_end),
            size=abs(directory_end - at),
            severity=Severity.WARNING,
            found=str(at),
            expected=str(directory_end),
            source=SOURCE,
        )


def _overlaps(spans: array[int]) -> Iterator[Fault]:
    ordered = sorted(zip(spans[::2], spans[1::2], strict=True))
    furthest = 0
    for start, end in ordered:
        if start < furthest:
            yield Fault(
                rule=STRUCTURE,
                message=f"two members share bytes from {start:,} on",
                offset=start,
                size=min(end, furthest) - start,
                source=SOURCE,
            )
        furthest = max(furthest, end)
