"""Which images a target can read: asked of the recorded facts, and remembered.

The answer is kept with a fingerprint of the target's row and of this program's
version, so that a changed limit or rule is asked again.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Iterator, Sequence
from functools import cache

from mediashelf import __version__
from mediashelf.catalogue.images import facts_of
from mediashelf.catalogue.records.inside import is_wrapping_name, wrapped_ids
from mediashelf.catalogue.rows import ImageRow
from mediashelf.catalogue.schema import transaction
from mediashelf.catalogue.store import Catalogue
from mediashelf.errors import TargetError
from mediashelf.findings import Severity
from mediashelf.formats.volume import DiscFacts, VolumeKind
from mediashelf.integrity.fixity.digests import Digester
from mediashelf.readability.check import worst_for_targets
from mediashelf.readability.targets import Target, load_targets

Answer = tuple[str, str, int]
"""What is remembered of a target's answer: its name, its fingerprint, the worst severity."""

_NOTHING = 0  # stands for "no findings" beside the severities
_UNKNOWN = -1  # stands for "never read as a disc"

_NO_DISCS = frozenset({VolumeKind.FLOPPY.value, VolumeKind.ARCHIVE.value})

_KEPT_AT_ONCE = 2000  # answers written in one transaction


def readable_by(
    catalogue: Catalogue,
    rows: Sequence[ImageRow],
    targets: Sequence[Target],
) -> list[ImageRow]:
    """Return the images in which no target finds an error.

    Images that were never read as discs (sheets, unreadable files) are left out.
    """
    read = iter_reading(catalogue, rows, targets)
    return [row for row, answers in read if answers is not None and all(answers)]


def may_be_disc(row: ImageRow) -> bool:
    """Tell whether a drive could serve a file as a disc: no floppy, archive or compressed file."""
    return not (is_wrapping_name(row.path) or _NO_DISCS & {*row.kinds})


def iter_reading(
    catalogue: Catalogue,
    rows: Sequence[ImageRow],
    targets: Sequence[Target],
) -> Iterator[tuple[ImageRow, tuple[bool, ...] | None]]:
    """Yield every image and which of the targets read it; None where it was never read as a disc,
    or is none: a floppy, an archive, a compressed file.

    The facts of an image are unpacked once, and not at all where every answer is remembered.
    """
    known = [remembered_answers(catalogue, target) for target in targets]
    wrapped = wrapped_ids(catalogue.db)
    new: list[tuple[str, str, int, int]] = []
    for row in rows:
        if row.id in wrapped or not may_be_disc(row):
            yield row, None  # no drive serves it as a disc, whatever is in it
            continue
        missing = [at for at, target in enumerate(targets) if row.id not in known[at][1]]
        if missing:
            asked = ask_facts(facts_of(catalogue.db, row.id), [targets[at] for at in missing])
            for at, answer in zip(missing, asked, strict=True):
                fingerprint, answers = known[at]
                answers[row.id] = answer
                new.append((targets[at].name, fingerprint, answer, row.id))
        if len(new) >= _KEPT_AT_ONCE:
            _remember(catalogue, new)
            new = []
        severities = [answers[row.id] for _, answers in known]
        is_disc = _UNKNOWN not in severities
        yield row, tuple(each < Severity.ERROR for each in severities) if is_disc else None
    _remember(catalogue, new)


def answers_for(facts: DiscFacts) -> tuple[Answer, ...]:
    """Return what each target says of a disc that is read just now, as it is remembered.

    So the first page of a library has its answers already.
    """
    if not facts.volumes or _NO_DISCS & {volume.kind.value for volume in facts.volumes}:
        return ()
    targets = _usual_targets()
    asked = ask_facts(facts, [target for target, _ in targets])
    return tuple(
        (target.name, fingerprint, answer)
        for (target, fingerprint), answer in zip(targets, asked, strict=True)
    )


@cache
def _usual_targets() -> tuple[tuple[Target, str], ...]:
    """Return the targets that come with the program or are the user's; none where these are wrong.

    Whoever asks with such a target is told.
    """
    try:
        targets = load_targets().values()
    except TargetError:
        return ()
    return tuple((target, fingerprint_of(target)) for target in targets)


def keep_answers(db: sqlite3.Connection, image_id: int, answers: Iterable[Answer]) -> None:
    """Keep answers on what an image is; what was kept before is forgotten already."""
    db.executemany(
        "INSERT INTO target_verdicts (image_id, target, fingerprint, severity) VALUES (?, ?, ?, ?)",
        [(image_id, *answer) for answer in answers],
    )


def remembered_answers(catalogue: Catalogue, target: Target) -> tuple[str, dict[int, int]]:
    """Return the fingerprint of a target, and the answers that are kept with it."""
    fingerprint = fingerprint_of(target)
    rows = catalogue.db.execute(
        "SELECT image_id, severity FROM target_verdicts WHERE target = ? AND fingerprint = ?",
        [target.name, fingerprint],
    )
    return fingerprint, dict(rows.fetchall())


def _remember(catalogue: Catalogue, answers: Sequence[tuple[str, str, int, int]]) -> None:
    if answers and catalogue.can_write:
        with transaction(catalogue.db):
            remember(catalogue.db, answers)


def remember(db: sqlite3.Connection, answers: Iterable[tuple[str, str, int, int]]) -> None:
    """Keep answers: target, its fingerprint, severity and image; in the caller's transaction."""
    db.executemany(
        "INSERT OR REPLACE INTO target_verdicts (image_id, target, fingerprint, severity) "
        "SELECT id, ?, ?, ? FROM images WHERE id = ?",
        answers,
    )


def ask_facts(facts: DiscFacts | None, targets: Sequence[Target]) -> list[int]:
    """Return what each target says of a disc, as it is remembered."""
    if facts is None:
        return [_UNKNOWN] * len(targets)
    return [_NOTHING if each is None else int(each) for each in worst_for_targets(facts, targets)]


def fingerprint_of(target: Target) -> str:
    """Return what differs when the answers of a target may: its limits and this version."""
    digester = Digester(block_size=0)
    digester.update(repr((__version__, target)).encode("utf-8", "surrogatepass"))
    return digester.finish().whole["xxh3_128"]
