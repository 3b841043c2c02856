"""The log that collects what breaks the structural rules."""

from __future__ import annotations

from mediashelf.findings import Finding
from mediashelf.formats.structure_rules import STRUCTURE_RULES

PLACES_PER_RULE = 100
"""How many findings of one rule are kept; the rest are counted in one more finding."""


class ProblemLog:
    """Collects findings of the structural rules; no hostile image makes it grow without bound."""

    def __init__(self) -> None:
        self._findings: list[Finding] = []
        self._counts: dict[str, int] = {}

    def add(
        self,
        rule: str,
        where: str,
        message: str,
        *,
        offset: int | None = None,
        length: int | None = None,
        found: object = "",
        expected: object = "",
    ) -> None:
        """Keep one finding, or only count it once the rule has enough of them."""
        row = STRUCTURE_RULES[rule]
        count = self._counts.get(rule, 0)
        self._counts[rule] = count + 1
        if count >= PLACES_PER_RULE:
            return
        self._findings.append(
            Finding(
                rule,
                row.severity,
                where,
                message,
                remedy=row.remedy,
                source=row.source,
                found=str(found),
                expected=str(expected),
                offset=offset,
                length=length,
            )
        )

    @property
    def total(self) -> int:
        """How many problems were added, those that are only counted too."""
        return sum(self._counts.values())

    def extend(self, other: ProblemLog) -> None:
        """Take over what another log has collected."""
        self._findings += other._findings
        for rule, count in other._counts.items():
            self._counts[rule] = self._counts.get(rule, 0) + count

    def findings(self) -> tuple[Finding, ...]:
        """Return what was found in the order of finding, then what was only counted."""
        more = [
            Finding(
                rule,
                STRUCTURE_RULES[rule].severity,
                "image",
                f"{count - PLACES_PER_RULE:,} more places like these are not listed",
                remedy=STRUCTURE_RULES[rule].remedy,
                source=STRUCTURE_RULES[rule].source,
            )
            for rule, count in self._counts.items()
            if count > PLACES_PER_RULE
        ]
        return (*self._findings, *more)
