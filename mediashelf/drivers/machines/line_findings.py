"""Lines of a machine's file that make no sense, as findings with their numbers."""

from __future__ import annotations

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
