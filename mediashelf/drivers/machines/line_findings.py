"""Lines of a machine's file that make no sense, as findings with their numbers."""

from __future__ import annotations

from collections.abc import Sequence

from mediashelf.drivers.machines.identifiers import is_well_formed
from mediashelf.findings import Finding, Severity

MAX_SHOWN = 50


class LineFindings:
    """Collects findings; past :data:`MAX_SHOWN` they are only counted."""

    def __init__(self, name: str) -> None:
        self._name = name
        self._findings: list[Finding] = []
        self._not_shown = 0

    def add(self, rule: str, number: int, message: str, remedy: str) -> None:
        """Report one line."""
        if len(self._findings) >= MAX_SHOWN:
            self._not_shown += 1
            return
        where = f"{self._name} line {number}"
        self._findings.append(Finding(rule, Severity.WARNING, where, message, remedy))

    def names_only(self, number: int) -> None:
        """Report a device of which only names are known."""
        self.add(
            "names-without-numbers",
            number,
            "the device has a name but no numbers, so its identifiers are unknown",
            "run lspci -nnvmm and use its output",
        )

    def damaged(self, number: int, fact: str) -> None:
        """Report a device of which the text is damaged: what was found, and what was expected."""
        remedy = "copy the whole output again; until then drivers may be chosen for less than it is"
        self.add("machine-text-damaged", number, fact, remedy)

    def malformed(self, number: int, word: str) -> None:
        """Report an identifier that is left out."""
        fact = f"{word[:60]} is not a complete identifier"
        self.add("identifier-malformed", number, fact, "copy it again, with all its digits")

    def well_formed(self, number: int, words: Sequence[str]) -> list[str]:
        """Return the identifiers among ``words``; the others are reported."""
        for word in words:
            if not is_well_formed(word):
                self.malformed(number, word)
        return [word for word in words if is_well_formed(word)]

    def not_understood(self, number: int, line: str) -> None:
        """Report a line that names no device."""
        self.add(
            "machine-line-unknown",
            number,
            f"the line holds no device: {line.strip()[:60]}",
            "start remarks with #",
        )

    def all(self) -> list[Finding]:
        """Return the findings in order of their lines, and how many more there are."""
        findings = sorted(self._findings, key=lambda one: int(one.where.rpartition(" ")[2]))
        if self._not_shown:
            findings.append(
                Finding(
                    "machine-line-unknown",
                    Severity.WARNING,
                    self._name,
                    f"{self._not_shown:,} more lines with problems",
                )
            )
        return findings
