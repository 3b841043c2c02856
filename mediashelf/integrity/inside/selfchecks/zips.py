"""ZIP archives: end record, central directory against local headers, CRC of every member."""

from __future__ import annotations

from array import array
from collections.abc import Iterator

from msgspec.structs import replace

from mediashelf.errors import FormatError
from mediashelf.findings import Severity
from mediashelf.formats.fields import View
from mediashelf.formats.packed.zip_directory import ZipDirectory, find_directory, iter_members
from mediashelf.formats.packed.zip_records import CENTRAL_SIZE, END_SIZE, SOURCE
from mediashelf.integrity.inside.selfchecks.faults import (
    ExpansionAllowance,
    Fault,
    Tally,
    structure_fault,
)
from mediashelf.integrity.inside.selfchecks.zip_members import STRUCTURE, MemberCheck
from mediashelf.integrity.inside.selfchecks.zip_places import find_by_records


def iter_zip_faults(view: View, tally: Tally) -> Iterator[Fault]:
    """Yield what is wrong in a ZIP archive, which may come after a program.

    Every stored or deflated member is read and its CRC computed. Encrypted
    members and other methods are compared by their headers only, which the
    tally says.
    """
    try:
        directory, problem = find_directory(view), None
    except FormatError as error:
        directory, problem = None, error
    found = find_by_records(view, directory) if directory is not None or problem else None
    if found is not None:
        directory = found
        yield _contradiction(view, found)
    elif problem is not None:
        yield structure_fault(STRUCTURE, problem, size=END_SIZE, source=SOURCE)
        return
    if directory is None:
        yield Fault(
            rule=STRUCTURE,
            message="the archive has no end record: its end is missing or overwritten",
            offset=0,
            size=view.size,
            source=SOURCE,
        )
        return
    if directory.is_split:
        tally.unverified["archives split over several files"] += 1
        return
    members = MemberCheck(
        view, tally, directory.prefix, directory.at, ExpansionAllowance(view.size)
    )
    yield from _walk_directory(members, directory)
    yield from _overlaps(members.spans)


def iter_attached_zip_faults(view: View, start: int, tally: Tally) -> Iterator[Fault]:
    """Yield what is wrong in a ZIP archive that begins at ``start``, after a program.

    Its offsets may count from the program's start or from its own. Installers
    of other kinds also keep local headers without ever ending them, so a missing
    end is a warning only.
    """
    tally.files += 1
    for fault in iter_zip_faults(view, tally):
        if fault.offset == 0:
            fault = replace(
                fault,
                message="what looks like an archive after the program has no end record: "
                "the file was cut, or this is not an archive",
                offset=start,
                size=view.size - start,
                severity=Severity.WARNING,
            )
        yield fault


def _contradiction(view: View, directory: ZipDirectory) -> Fault:
    size = directory.end - directory.at
    return Fault(
        rule="zip-end-record-agrees",
        message=f"the end record contradicts the directory, which has {directory.entry_count:,} "
        f"members in {size:,} bytes from {directory.at - directory.prefix:,} on by its own "
        "records; some programs will not open the archive",
        offset=directory.end,
        size=END_SIZE,
        severity=Severity.WARNING,
        found=view.read(directory.end, END_SIZE)[8:20].hex(" "),
        expected=f"{directory.entry_count} members, {size:,} bytes at "
        f"{directory.at - directory.prefix}",
        remedy="compare with another copy; most programs open it all the same",
        source=SOURCE,
    )


def _walk_directory(members: MemberCheck, directory: ZipDirectory) -> Iterator[Fault]:
    """Check member after member, as the central directory names them."""
    at, count = directory.at, 0
    try:
        for at, member in iter_members(members.view, directory):
            yield from members.iter_faults(member, at)
            at += member.record_size
            count += 1
    except FormatError as error:
        yield structure_fault(STRUCTURE, error, size=CENTRAL_SIZE, source=SOURCE)
        left = max(directory.entry_count - count, 0)
        members.tally.unverified["members after a broken directory record"] += left
        return
    if at != directory.end:
        yield Fault(
            rule=STRUCTURE,
            message=f"the central directory ends at byte {at:,}, not {directory.end:,}",
            offset=min(at, directory.end),
            size=abs(directory.end - at),
            severity=Severity.WARNING,
            found=str(at),
            expected=str(directory.end),
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
