"""What a check of one file says: faults with their place in the file, and what was verified."""

from __future__ import annotations

from collections import Counter
from collections.abc import Generator, Iterator

from msgspec import Struct, field
from msgspec.structs import replace

from mediashelf.errors import FormatError
from mediashelf.findings import Severity

LOST = "copy the file again from its source; what is inside may be lost"


class Fault(Struct, frozen=True):
    """One thing that is wrong in a file; ``offset`` and ``size`` are bytes of that file."""

    rule: str
    message: str
    offset: int
    size: int
    severity: Severity = Severity.ERROR
    found: str = ""
    expected: str = ""
    remedy: str = LOST
    source: str = ""


class Tally(Struct):
    """What was verified in the files of one format, and what was not.

    Both counters map a few words (``members``, ``encrypted members``) to how
    many there were. ``nested_archives`` counts archives that were seen inside
    and not followed.
    """

    files: int = 0
    faulty_files: int = 0
    verified: Counter[str] = field(default_factory=Counter)
    unverified: Counter[str] = field(default_factory=Counter)
    nested_archives: int = 0


def structure_fault(
    rule: str, error: FormatError, *, size: int, source: str, base: int = 0
) -> Fault:
    """Return the fault for a structure that cannot be read; ``base`` is added to its place."""
    at = error.at if isinstance(error.at, int) else 0
    return Fault(
        rule=rule,
        message=f"{error.field} is {error.found!r}, expected {error.expected}",
        offset=base + at,
        size=size,
        found=repr(error.found),
        expected=error.expected,
        source=source,
    )


def shifted(faults: Iterator[Fault], start: int) -> Generator[Fault, None, None]:
    """Move faults of a part of a file, which begins at ``start``, to their place in the file."""
    for fault in faults:
        yield replace(fault, offset=fault.offset + start)


def too_far(what: str, offset: int, size: int) -> Fault:
    """Return the fault for data that was not expanded, because it would grow beyond its limit."""
    return Fault(
        rule="expansion-is-bounded",
        message=f"{what} not expanded: the file would grow beyond the limit for its size",
        offset=offset,
        size=size,
        severity=Severity.WARNING,
        remedy="if this file is meant to be so, expand it elsewhere to check it",
        source="our own limit against bombs",
    )


class ExpansionAllowance:
    """How much a check may expand: enough for every honest file, too little for a bomb.

    256 MiB, or 64 times the file if that is more. Compressed disc or floppy
    images full of zeros can expand a thousandfold, small ones pass.
    """

    def __init__(self, file_size: int) -> None:
        self.left = max(256 << 20, 64 * file_size)

    def take(self, size: int) -> bool:
        """Spend ``size`` bytes; False when they are no longer there."""
        if size > self.left:
            return False
        self.left -= size
        return True
