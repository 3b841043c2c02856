"""Which images a target can read: asked of the recorded facts, and remembered.

The answer is kept with a fingerprint of the target's row and of this program's
version, so that a changed limit or rule is asked again.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence

from mediashelf import __version__
from mediashelf.catalogue.images import facts_of
from mediashelf.catalogue.rows import ImageRow
from mediashelf.catalogue.schema import transaction
from mediashelf.catalogue.store import Catalogue
from mediashelf.findings import Severity, worst
from mediashelf.readability.check import check_disc
from mediashelf.readability.targets import Target

_NOTHING = 0  # stands for "no findings" beside the severities
_UNKNOWN = -1  # stands for "never read as a disc"


def readable_by(
    catalogue: Catalogue, rows: Sequence[ImageRow], targets: Sequence[Target]
) -> list[ImageRow]:
    """Return the images in which no target finds an error.

    Images that were never read as discs (sheets, unreadable files) are left out.
    """
    for target in targets:
        answers = _answers(catalogue, rows, target)
        rows = [row for row in rows if _NOTHING <= answers[row.id] < Severity.ERROR]
    return list(rows)


def _answers(catalogue: Catalogue, rows: Sequence[ImageRow], target: Target) -> dict[int, int]:
    fingerprint = _fingerprint(target)
    answers = dict(
        catalogue.db.execute(
            "SELECT image_id, severity FROM target_verdicts WHERE target = ? AND fingerprint = ?",
            [target.name, fingerprint],
        ).fetchall()
    )
    asked = {row.id: _ask(catalogue, row, target) for row in rows if row.id not in answers}
    if asked and catalogue.can_write:
        with transaction(catalogue.db):
            catalogue.db.executemany(
                "INSERT OR REPLACE INTO target_verdicts (image_id, target, fingerprint, severity) "
                "SELECT id, ?, ?, ? FROM images WHERE id = ?",
                [(target.name, fingerprint, answer, key) for key, answer in asked.items()],
            )
    return {**answers, **asked}


def _ask(catalogue: Catalogue, row: ImageRow, target: Target) -> int:
    facts = facts_of(catalogue.db, row.id)
    if facts is None:
        return _UNKNOWN
    severity = worst(check_disc(facts, target))
    return _NOTHING if severity is None else int(severity)


def _fingerprint(target: Target) -> str:
    row = repr((__version__, target))
    return hashlib.sha256(row.encode("utf-8", "surrogatepass"), usedforsecurity=False).hexdigest()
