"""Findings that the keeper knows and lives with: small, and not counted, for these bytes alone."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from msgspec import Struct
from msgspec.structs import replace

from mediashelf.findings import Finding, Severity


class Acknowledged(Struct, frozen=True):
    """Why a finding was acknowledged, and when."""

    why: str
    acknowledged_at: str

    @property
    def words(self) -> str:
        """What is added to the finding."""
        return f" (acknowledged {self.acknowledged_at[:10]}: {self.why})"


def with_acknowledged(
    findings: Iterable[Finding], known: Mapping[str, Acknowledged]
) -> tuple[Finding, ...]:
    """Return the findings, those that are acknowledged as notes that say why.

    Only for bytes that are proved to be those for which they were acknowledged.
    """
    return tuple(
        _as_note(finding, known[finding.rule].words) if finding.rule in known else finding
        for finding in findings
    )


def _as_note(finding: Finding, words: str) -> Finding:
    message = finding.message.removesuffix(words) + words  # one from the record has them already
    return replace(finding, severity=Severity.NOTE, message=message, remedy="")
