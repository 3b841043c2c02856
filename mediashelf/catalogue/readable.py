"""Which images a target can read: asked of the recorded facts, and remembered.

The answer is kept with a fingerprint of the target's row and of this program's
version, so that a changed limit or rule is asked again.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Sequence

from mediashelf import __version__
from mediashelf.catalogue.images import facts_of
from mediashelf.catalogue.rows import ImageRow
from mediashelf.catalogue.schema import transaction
from mediashelf.catalogue.store import Catalogue
from mediashelf.findings import Severity, worst
from mediashelf.formats.volume import DiscFacts
from mediashelf.readability.check import check_disc
from mediashelf.readability.targets import Target

_NOTHING = 0  # stands for "no findings" beside the severities
_UNKNOWN = -1  # stands for "never read as a disc"

_KEPT_AT_ONCE = 2000  # answers written in one transaction


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


def iter_reading(
    catalogue: Catalogue, rows: Sequence[ImageRow], targets: Sequence[Target]
) -> Iterator[tuple[ImageRow, tuple[bool, ...] | None]]:
    """Yield every image and which of the targets read it; None where it was never read as a disc.

    The facts of an image are unpacked once, and not at all where every answer is remembered.
    """
    known = [_remembered(catalogue, target) for target in targets]
    new: list[tuple[str, str, int, int]] = []
    for row in rows:
        missing = [at for at, target in enumerate(targets) if row.id not in known[at][1]]
        facts = facts_of(catalogue.db, row.id) if missing else None
        for at in missing:
            fingerprint, answers = known[at]
            answers[row.id] = _ask(facts, targets[at])
            new.append((targets[at].name, fingerprint, answers[row.id], row.id))
        if len(new) >= _KEPT_AT_ONCE:
            _remember(catalogue, new)
            new = []
        severities = [answers[row.id] for _, answers in known]
        is_disc = _UNKNOWN not in severities
        yield row, tuple(each < Severity.ERROR for each in severities) if is_disc else None
    _remember(catalogue, new)


def _answers(catalogue: Catalogue, rows: Sequence[ImageRow], target: Target) -> dict[int, int]:
    fingerprint, answers = _remembered(catalogue, target)
    asked = {
        row.id: _ask(facts_of(catalogue.db, row.id), target)
        for row in rows
        if row.id not in answers
    }
    _remember(catalogue, [(target.name, fingerprint, answer, key) for key, answer in asked.items()])
    return {**answers, **asked}


def _remembered(catalogue: Catalogue, target: Target) -> tuple[str, dict[int, int]]:
    """Return the fingerprint of a target, and the answers that are kept with it."""
    fingerprint = _fingerprint(target)
    rows = catalogue.db.execute(
        "SELECT image_id, severity FROM target_verdicts WHERE target = ? AND fingerprint = ?",
        [target.name, fingerprint],
    )
    return fingerprint, dict(rows.fetchall())


def _remember(catalogue: Catalogue, answers: Sequence[tuple[str, str, int, int]]) -> None:
    if answers and catalogue.can_write:
        with transaction(catalogue.db):
            catalogue.db.executemany(
                "INSERT OR REPLACE INTO target_verdicts (image_id, target, fingerprint, severity) "
                "SELECT id, ?, ?, ? FROM images WHERE id = ?",
                answers,
            )


def _ask(facts: DiscFacts | None, target: Target) -> int:
    if facts is None:
        return _UNKNOWN
    severity = worst(check_disc(facts, target))
    return _NOTHING if severity is None else int(severity)


def _fingerprint(target: Target) -> str:
    row = repr((__version__, target))
    return hashlib.sha256(row.encode("utf-8", "surrogatepass"), usedforsecurity=False).hexdigest()
