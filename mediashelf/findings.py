"""Findings: facts about an image, tree, recipe or plan, as plain values."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from enum import IntEnum
from itertools import chain, groupby
from typing import overload

from msgspec import Struct

from mediashelf.sequences import MadeSequence


class Severity(IntEnum):
    """How much a finding matters; higher is worse."""

    NOTE = 1
    WARNING = 2
    ERROR = 3

    @property
    def word(self) -> str:
        """The word shown to people and written to JSON: ``note``, ``warning``, ``error``."""
        return self.name.lower()

    @classmethod
    def from_word(cls, word: str) -> Severity:
        """Return the severity that ``word`` names; raises ``KeyError`` for any other word."""
        return cls[word.upper()]


class Finding(Struct, frozen=True):
    """One fact that somebody may have to act on.

    ``rule`` is a kebab-case fact (``path-table-agrees``). ``where`` is a path in
    the disc, an LBA or a file. ``message`` is one sentence without a final full
    stop; ``remedy`` says what to do next; ``source`` names where the limit comes
    from, or says "common practice". ``offset`` and ``length`` are bytes from the
    image's start. ``target`` is set when the finding holds for one target only.
    """

    rule: str
    severity: Severity
    where: str
    message: str
    remedy: str = ""
    source: str = ""
    found: str = ""
    expected: str = ""
    offset: int | None = None
    length: int | None = None
    target: str = ""

    def as_dict(self) -> dict[str, str | int | None]:
        """Return the JSON form, with every key always present."""
        return {
            "rule": self.rule,
            "severity": self.severity.word,
            "where": self.where,
            "message": self.message,
            "remedy": self.remedy,
            "source": self.source,
            "found": self.found,
            "expected": self.expected,
            "offset": self.offset,
            "length": self.length,
            "target": self.target,
        }


class FindingRun(MadeSequence[Finding]):
    """Findings of one rule, severity and target that follow each other, made when asked for.

    A disc can break one rule in 50,000 places, of which three are shown. ``make_all`` yields
    them one after the other where that is quicker than to make each by itself.
    """

    __slots__ = ("_count", "_make", "_make_all", "rule", "severity", "target")

    def __init__(
        self,
        rule: str,
        severity: Severity,
        target: str,
        count: int,
        make: Callable[[int], Finding],
        make_all: Callable[[], Iterator[Finding]] | None = None,
    ) -> None:
        self.rule, self.severity, self.target = rule, severity, target
        self._count, self._make, self._make_all = count, make, make_all

    def __len__(self) -> int:
        return self._count

    def __iter__(self) -> Iterator[Finding]:
        return super().__iter__() if self._make_all is None else self._make_all()

    def make(self, place: int) -> Finding:
        return self._make(place)

    def each(self, change: Callable[[Finding], Finding]) -> FindingRun:
        """Return the run with each finding changed when it is made; not in what a run has."""
        return FindingRun(
            *(self.rule, self.severity, self.target, len(self)),
            lambda place: change(self.make(place)),
            lambda: map(change, self),
        )


class Findings(Sequence[Finding]):
    """Findings in the order of their runs."""

    def __init__(self, runs: Iterable[FindingRun]) -> None:
        self.runs = tuple(runs)

    def __len__(self) -> int:
        return sum(map(len, self.runs))

    def __iter__(self) -> Iterator[Finding]:
        return chain.from_iterable(self.runs)

    @overload
    def __getitem__(self, index: int) -> Finding: ...

    @overload
    def __getitem__(self, index: slice) -> list[Finding]: ...

    def __getitem__(self, index: int | slice) -> Finding | list[Finding]:
        return list(self)[index]

    def __eq__(self, other: object) -> bool:
        return list(self) == list(other) if isinstance(other, Sequence) else NotImplemented

    def __hash__(self) -> int:
        return hash(tuple(self))

    def __repr__(self) -> str:
        return repr(list(self))


def iter_runs(findings: Iterable[Finding]) -> Iterator[FindingRun]:
    """Yield findings in runs; what is no :class:`Findings` is put into some."""
    if isinstance(findings, Findings):
        yield from findings.runs
        return
    for (rule, severity, target), group in groupby(findings, _kind_of):
        some = list(group)
        yield FindingRun(rule, severity, target, len(some), some.__getitem__)


def _kind_of(finding: Finding) -> tuple[str, Severity, str]:
    return finding.rule, finding.severity, finding.target


def joined(*parts: Iterable[Finding]) -> Findings:
    """Return findings one after the other, in their runs."""
    return Findings(run for part in parts for run in iter_runs(part))


def at_least(findings: Iterable[Finding], lowest: Severity) -> Findings:
    """Return the findings of this severity and worse ones."""
    return Findings(run for run in iter_runs(findings) if run.severity >= lowest)


def worst(findings: Iterable[Finding]) -> Severity | None:
    """Return the highest severity among ``findings``, or None when there are none."""
    return max((run.severity for run in iter_runs(findings)), default=None)


def summary(findings: Iterable[Finding]) -> str:
    """Return ``2 errors, 1 warning`` or ``no findings``."""
    counts = dict.fromkeys(sorted(Severity, reverse=True), 0)
    for run in iter_runs(findings):
        counts[run.severity] += len(run)
    parts = [
        f"{count:,} {severity.word}{'' if count == 1 else 's'}"
        for severity, count in counts.items()
        if count
    ]
    return ", ".join(parts) or "no findings"
