"""Findings that the keeper knows and lives with: for one image, one rule, and these bytes alone."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

from mediashelf.catalogue.records.reading import reads_catalogue
from mediashelf.catalogue.rows import ImageRow, keep_text, kept_text, utc_now
from mediashelf.findings import Finding, Severity


@dataclass(frozen=True, slots=True)
class Acknowledged:
    """Why a finding was acknowledged, and when."""

    why: str
    acknowledged_at: str

    @property
    def words(self) -> str:
        """What is added to the finding."""
        return f" (acknowledged {self.acknowledged_at[:10]}: {self.why})"


def acknowledge(db: sqlite3.Connection, row: ImageRow, rule: str, why: str) -> None:
    """Keep that a finding is known, within the caller's transaction; the image has a record."""
    db.execute(
        "INSERT OR REPLACE INTO acknowledged (image_id, rule, digest, why, acknowledged_at) "
        "VALUES (?, ?, ?, ?, ?)",
        [row.id, rule, next(iter(row.digests.values())), keep_text(why), utc_now()],
    )


def take_back(db: sqlite3.Connection, image_id: int, rule: str) -> bool:
    """Forget an acknowledgement; return whether there was one."""
    return bool(
        db.execute(
            "DELETE FROM acknowledged WHERE image_id = ? AND rule = ?", [image_id, rule]
        ).rowcount
    )


@reads_catalogue
def acknowledged_of(db: sqlite3.Connection, row: ImageRow) -> dict[str, Acknowledged]:
    """Return by rule what was acknowledged for the bytes that are on record now."""
    rows = db.execute(
        "SELECT rule, digest, why, acknowledged_at FROM acknowledged WHERE image_id = ?", [row.id]
    )
    return {
        rule: Acknowledged(kept_text(why), acknowledged_at)
        for rule, digest, why, acknowledged_at in rows
        if digest in row.digests.values()
    }


def with_acknowledged(
    findings: Iterable[Finding], known: Mapping[str, Acknowledged]
) -> tuple[Finding, ...]:
    """Return the findings, those that are acknowledged as notes that say why."""
    return tuple(
        _as_note(finding, known[finding.rule].words) if finding.rule in known else finding
        for finding in findings
    )


def _as_note(finding: Finding, words: str) -> Finding:
    message = finding.message.removesuffix(words) + words  # one from the record has them already
    return replace(finding, severity=Severity.NOTE, message=message, remedy="")
