"""What is worked out of the facts on record: who reads a disc, and what it says of itself.

A scan keeps both. After a change of the program all discs are asked again: their facts are then
unpacked once for both questions, by as many processes as there are processors.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterable, Sequence
from itertools import chain, islice
from typing import NamedTuple

from mediashelf.catalogue.facts import unpack_facts
from mediashelf.catalogue.readable import (
    ask_facts,
    fingerprint_of,
    may_be_disc,
    remember,
    remembered_answers,
)
from mediashelf.catalogue.records.reading import reads_catalogue
from mediashelf.catalogue.rows import ImageRow
from mediashelf.catalogue.schema import transaction
from mediashelf.catalogue.store import Catalogue
from mediashelf.catalogue.summaries import ids_with_summary, write_summaries
from mediashelf.formats.disc_summary import DiscSummary
from mediashelf.formats.volume import DiscFacts
from mediashelf.helping.processes import Helpers
from mediashelf.readability.identity.summary import summarise
from mediashelf.readability.targets import Target

_AT_ONCE = 400  # images that are kept in one transaction
_QUESTION = 20  # images of which a process is asked together
_ENOUGH = 100  # images that take longer than it takes to start a process for them
_ANSWER = f"{__name__}:answer_all"


class _Answer(NamedTuple):
    severities: list[int]
    summary: DiscSummary


def rows_to_work_out(
    catalogue: Catalogue, rows: Sequence[ImageRow], targets: Sequence[Target]
) -> list[ImageRow]:
    """Return the images of which an answer of these targets, or the summary, is not remembered.

    None where the catalogue cannot be written: each is then worked out when it is asked for.
    """
    if not (catalogue.can_write and catalogue.exists):
        return []
    told = ids_with_summary(catalogue)
    known = [remembered_answers(catalogue, target)[1].keys() for target in targets]
    return [
        row
        for row in rows
        if row.kinds
        and (row.id not in told or (may_be_disc(row) and any(row.id not in ids for ids in known)))
    ]


def work_out(
    catalogue: Catalogue,
    rows: Sequence[ImageRow],
    targets: Sequence[Target],
    on_image: Callable[[int], None] = lambda count: None,
) -> None:
    """Work out what :func:`rows_to_work_out` told, and keep it; images of equal bytes once."""
    same: dict[str, list[int]] = {}
    for row in rows:
        same.setdefault(row.key_digest or f"image {row.id}", []).append(row.id)
    groups = list(same.values())
    prints = [(target.name, fingerprint_of(target)) for target in targets]
    questions = (
        (targets, [_packed(catalogue.db, ids[0]) for ids in groups[start : start + _QUESTION]])
        for start in range(0, len(groups), _QUESTION)
    )
    with Helpers[list[_Answer]](_ANSWER, work=len(groups), enough=_ENOUGH) as helpers:
        answers = chain.from_iterable(helpers.answers(questions, answer_all))
        pairs = zip(groups, answers, strict=True)
        for _ in range(0, len(groups), _AT_ONCE):
            found: list[tuple[int, _Answer]] = []
            for ids, answer in islice(pairs, _AT_ONCE):
                found += [(image_id, answer) for image_id in ids]
                on_image(len(ids))
            with transaction(catalogue.db):
                write_summaries(catalogue.db, {each: answer.summary for each, answer in found})
                remember(
                    catalogue.db,
                    [
                        (*one, severity, image_id)
                        for image_id, answer in found
                        for one, severity in zip(prints, answer.severities, strict=True)
                    ],
                )


def _packed(db: sqlite3.Connection, image_id: int) -> bytes | None:
    row = db.execute("SELECT packed FROM disc_facts WHERE image_id = ?", [image_id]).fetchone()
    return None if row is None else row[0]


@reads_catalogue
def answer_all(targets: Sequence[Target], packed: Iterable[bytes | None]) -> list[_Answer]:
    """Answer for images by their packed facts; processes that help are asked this."""
    return [_answer(targets, None if one is None else unpack_facts(one)) for one in packed]


def _answer(targets: Sequence[Target], facts: DiscFacts | None) -> _Answer:
    return _Answer(ask_facts(facts, targets), summarise(facts) if facts else DiscSummary())
