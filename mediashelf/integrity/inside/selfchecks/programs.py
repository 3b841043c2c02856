"""Programs and drivers: what their headers name must be in the file, and the PE checksum."""

from __future__ import annotations

from collections.abc import Generator, Iterator, Sequence

from mediashelf.errors import FormatError
from mediashelf.findings import Severity
from mediashelf.formats.fields import View
from mediashelf.formats.packed.portable_executable import (
    CERTIFICATES,
    SUBSYSTEM_NATIVE,
    PortableExecutable,
    compute_pe_checksum,
    find_pe_header,
    read_portable_executable,
)
from mediashelf.formats.packed.portable_executable import SOURCE as PE_SOURCE
from mediashelf.formats.packed.programs import (
    MZ_SIZE,
    SOURCE,
    MzHeader,
    Region,
    parse_mz_header,
    read_le_regions,
    read_ne_regions,
)
from mediashelf.integrity.inside.selfchecks.faults import Fault, Tally, structure_fault

_HEADER = "program-header-holds"
_COMPLETE = "program-is-complete"
_CHECKSUM = "program-checksum-agrees"

_TEXT = frozenset(b"\t\r\n") | frozenset(range(0x20, 0x7F))
_OTHER_NEW_HEADERS = (b"LX", b"W3", b"W4")


def iter_program_faults(view: View, tally: Tally) -> Generator[Fault, None, int]:
    """Yield what is wrong in a program; returns where what it describes of itself ends.

    After that place anything may follow: self-extracting archives, for one.
    """
    head = view.read(0, MZ_SIZE)
    pe_offset = find_pe_header(view)
    if pe_offset is not None:
        return (yield from _iter_pe_faults(view, pe_offset, tally))
    try:
        header = parse_mz_header(head)
    except FormatError as error:
        if all(byte in _TEXT for byte in head):
            tally.unverified["texts that begin with MZ"] += 1
        else:
            yield structure_fault(_HEADER, error, size=MZ_SIZE, source=SOURCE)
        return view.size
    start = header.new_offset
    signature = view.read(start, 4) if start else b""
    try:
        if signature[:2] == b"NE":
            regions = read_ne_regions(view, start)
            tally.verified["NE segments and resources"] += len(regions)
        elif signature[:2] == b"LE":
            regions = read_le_regions(view, start)
            tally.verified["LE tables and pages"] += len(regions)
        else:
            return (yield from _iter_dos_faults(view, header, signature, tally))
    except FormatError as error:
        yield structure_fault(_HEADER, error, size=MZ_SIZE, source=SOURCE)
        return view.size
    yield from _beyond_end(view, regions, SOURCE)
    return max(region.end for region in regions)


def _iter_dos_faults(
    view: View, header: MzHeader, signature: bytes, tally: Tally
) -> Generator[Fault, None, int]:
    """A plain DOS program, or one whose new header is not where it should be."""
    if signature[:2] in _OTHER_NEW_HEADERS:
        tally.unverified["programs with another new header"] += 1
        return view.size
    if header.new_offset and header.new_offset + 4 > view.size:
        yield Fault(
            rule=_COMPLETE,
            message=f"a new header should be at byte {header.new_offset:,}, "
            f"but the file has {view.size:,}",
            offset=60,
            size=4,
            severity=Severity.WARNING,
            found=str(view.size),
            expected=f"at least {header.new_offset + 4}",
            source=SOURCE,
        )
    elif header.size > view.size:
        yield Fault(
            rule=_COMPLETE,
            message=f"the DOS program should have {header.size:,} bytes, the file has "
            f"{view.size:,}",
            offset=2,
            size=4,
            severity=Severity.WARNING,  # DOS runs what is there and never compares
            found=str(view.size),
            expected=str(header.size),
            source=SOURCE,
        )
    else:
        tally.verified["DOS program sizes"] += 1
    return header.size


def _iter_pe_faults(view: View, start: int, tally: Tally) -> Generator[Fault, None, int]:
    try:
        program = read_portable_executable(view, start)
    except FormatError as error:
        yield structure_fault(_HEADER, error, size=MZ_SIZE, source=PE_SOURCE)
        return view.size
    tally.verified["PE sections"] += len(program.regions)
    yield from _beyond_end(view, program.regions, PE_SOURCE)
    if not program.checksum:
        tally.unverified["PE files without a checksum"] += 1
    else:
        found = compute_pe_checksum(view, program.checksum_at)
        if found == program.checksum:
            tally.verified["PE checksums"] += 1
        else:
            yield _other_checksum(program, found)
    return max(region.end for region in program.regions if region.name != CERTIFICATES)


def _other_checksum(program: PortableExecutable, found: int) -> Fault:
    is_driver = program.subsystem == SUBSYSTEM_NATIVE
    return Fault(
        rule=_CHECKSUM,
        message=f"the checksum of the file is {found:#010x}, recorded is {program.checksum:#010x}"
        + ("; the system refuses a driver with a wrong one" if is_driver else ""),
        offset=program.checksum_at,
        size=4,
        severity=Severity.WARNING if is_driver else Severity.NOTE,
        found=f"{found:#010x}",
        expected=f"{program.checksum:#010x}",
        remedy="compare with another copy; some tools change a program and leave the old checksum",
        source=f"{PE_SOURCE}; that drivers are checked: from memory",
    )


def _beyond_end(view: View, regions: Sequence[Region], source: str) -> Iterator[Fault]:
    """Yield one fault for all regions that the file is too short for."""
    beyond = [region for region in regions if region.size and region.end > view.size]
    if not beyond:
        return
    first = min(beyond, key=lambda region: region.offset)
    last = max(beyond, key=lambda region: region.end)
    # Only padding is missing: old systems run such files, later ones may not.
    is_padding = all(region.offset + region.needed_size <= view.size for region in beyond)
    others = f" and {len(beyond) - 1} more" if len(beyond) > 1 else ""
    is_cut = first.offset < view.size
    yield Fault(
        rule=_COMPLETE,
        message=f"the file has {view.size:,} bytes, but {first.name}{others} should be there "
        f"up to byte {last.end:,}" + ("; only padding is missing" if is_padding else ""),
        offset=first.offset if is_cut else first.at,
        size=view.size - first.offset if is_cut else first.record_size,
        severity=Severity.WARNING if is_padding else Severity.ERROR,
        found=str(view.size),
        expected=f"at least {last.end}",
        source=source,
    )
