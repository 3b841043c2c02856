"""Findings: facts about an image, tree, recipe or plan, as plain values."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import IntEnum


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


@dataclass(frozen=True, slots=True)
class Finding:
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


def worst(findings: Iterable[Finding]) -> Severity | None:
    """Return the highest severity among ``findings``, or None when there are none."""
    return max((finding.severity for finding in findings), default=None)


def summary(findings: Iterable[Finding]) -> str:
    """Return ``2 errors, 1 warning`` or ``no findings``."""
    counts = dict.fromkeys(sorted(Severity, reverse=True), 0)
    for finding in findings:
        counts[finding.severity] += 1
    parts = [
        f"{count:,} {severity.word}{'' if count == 1 else 's'}"
        for severity, count in counts.items()
        if count
    ]
    return ", ".join(parts) or "no findings"
