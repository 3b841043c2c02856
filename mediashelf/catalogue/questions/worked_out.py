"""What is worked out of the facts on record: who reads a disc, and what it says of itself.

A scan keeps both. After a change of the program all discs are asked again: their facts are then
unpacked once for both questions, by as many processes as there are processors.
"""

from __future__ import annotations

import multiprocessing
import sqlite3
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from functools import partial
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
from mediashelf.own_process import begin_helping, processors
from mediashelf.readability.identity.summary import summarise
from mediashelf.readability.targets import Target

_AT_ONCE = 400  # images that are kept in one transaction
_FEW = 200  # so many take less time than starting processes
_MOST_PROCESSES = 8


class _Answer(NamedTuple):
    severities: list[int]
    summary: DiscSummary


Work = Callable[[Iterable[bytes | None]], Iterator[_Answer]]


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
    with _workers(tuple(targets), len(groups)) as work:
        for start in range(0, len(groups), _AT_ONCE):
            part = groups[start : start + _AT_ONCE]
            found: list[tuple[int, _Answer]] = []
            packed = (_packed(catalogue.db, ids[0]) for ids in part)
            for ids, answer in zip(part, work(packed), strict=True):
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


@contextmanager
def _workers(targets: Sequence[Target], count: int) -> Iterator[Work]:
    processes = min(processors(), _MOST_PROCESSES, 1 + count // _FEW)
    ask = partial(_ask, targets)
    if processes == 1:
        yield partial(map, ask)
        return
    # Each begins anew: a copy of this process would hold the open catalogue too.
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(processes, context, initializer=begin_helping) as pool:
        try:
            yield partial(pool.map, ask, chunksize=_AT_ONCE // 20)
        except BaseException:
            pool.shutdown(wait=False, cancel_futures=True)
            raise


@reads_catalogue
def _ask(targets: Sequence[Target], packed: bytes | None) -> _Answer:
    facts = None if packed is None else unpack_facts(packed)
    return _Answer(ask_facts(facts, targets), summarise(facts) if facts else DiscSummary())
