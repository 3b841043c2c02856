"""What a comparison of two trees says, as values. The first is A, the second B."""

from __future__ import annotations

from enum import StrEnum

from msgspec import Struct

from mediashelf.findings import Finding, Severity
from mediashelf.integrity.comparing.differences import Difference, Differences


class TreesCompared(Struct, frozen=True):
    """All that differs, in the order of A and then of B, and how much is the same.

    ``same_files`` have equal bytes under one path, ``same_size`` bytes in all; of those
    ``other_dates`` have another date. ``case_aside`` are the same but for letter case, which
    was not to count.
    """

    differences: Differences
    same_files: int
    same_size: int
    other_dates: int
    case_aside: int

    @property
    def counts(self) -> dict[Difference, int]:
        """How many entries differ in each way."""
        return self.differences.counts


class FactDifference(Struct, frozen=True):
    """One thing that discs say of themselves and say differently; empty where it is not said.

    ``counts`` is False for what can differ between two copies of one disc.
    """

    name: str
    first: str
    second: str
    counts: bool = True


class SectorsAlike(StrEnum):
    """What a comparison of all user data of two discs shows."""

    EQUAL = "equal"
    ZEROS_AFTER = "zeros-after"  # equal to the end of the shorter; zeros follow in the longer
    DIFFERENT = "different"


class SectorsCompared(Struct, frozen=True):
    """All user data of two discs; ``first_difference`` is a byte, None where there is none."""

    alike: SectorsAlike
    first_difference: int | None = None


class ComparedSide(Struct, frozen=True):
    """One of the two: what it was called, what it is in words, and its size where it is a file."""

    name: str
    form: str
    size: int | None
    entry_count: int


class Comparison(Struct, frozen=True):
    """Two trees beside each other.

    ``facts`` and ``sectors`` are of two whole discs, else empty and None. ``findings`` say
    what could not be listed on either side, so that nothing is said of it; notes tell of what was
    listed. ``is_one_file``: both
    names lead to one file or folder.
    """

    first: ComparedSide
    second: ComparedSide
    trees: TreesCompared
    facts: tuple[FactDifference, ...] = ()
    sectors: SectorsCompared | None = None
    findings: tuple[Finding, ...] = ()
    is_one_file: bool = False

    @property
    def is_equal(self) -> bool:
        """Whether everything was compared, and nothing differs that counts."""
        return self.is_all_listed and not self.is_different

    @property
    def is_different(self) -> bool:
        """Whether something differs that counts."""
        return bool(self.trees.differences) or any(fact.counts for fact in self.facts)

    @property
    def is_all_listed(self) -> bool:
        """Whether nothing is left out of what was compared."""
        return all(finding.severity is Severity.NOTE for finding in self.findings)
