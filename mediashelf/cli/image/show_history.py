"""``mediashelf show --history``: what happened to one image, from its first scan on.

The shape of ``--json``: ``command`` and ``version``, ``image`` (its file), ``record``,
as in the list, and ``history``, oldest first: each with ``happened_at``, ``event``,
``seen_by``, ``detail``, and ``session``, null or an object with ``number``, ``name``,
``machine`` and ``card``.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import groupby
from typing import Any

from mediashelf.catalogue.auditing.names import recorded_image
from mediashelf.catalogue.history import Happening, HistoryRow, history_of
from mediashelf.catalogue.rows import day_shown
from mediashelf.catalogue.store import Catalogue
from mediashelf.cli.documents import chosen, document
from mediashelf.cli.library.catalogue_rows import image_dict
from mediashelf.cli.render import say, say_json, say_wrapped

_GATHERED = 3  # so many times the same in a row become one line


def say_history(catalogue: Catalogue, name: str, *, as_json: bool, quiet: bool) -> None:
    """Print the history of the image that a name means; its file may be gone."""
    row = recorded_image(catalogue, name)
    history = history_of(catalogue.db, row.id)
    if as_json:
        say_json(
            document("show", image=row.file, record=image_dict(row), history=map(_dict, history))
        )
        return
    if not quiet:
        say_wrapped(f"{row.where} ({row.state_word})")
        say()
    for lead, more in _lines(history):
        say_wrapped(lead)
        if more:
            say_wrapped(more, indent=4)
    if not quiet:
        say()
        # A digest that was never read again has both dates equal.
        is_confirmed = row.confirmed_at > row.recorded_at or any(
            one.event is Happening.CONFIRMED for one in history
        )
        day = f"on {day_shown(row.confirmed_at)}"
        last = day if is_confirmed else "never since they were recorded"
        say_wrapped(f"Bytes last confirmed: {last}.")


def _lines(history: Sequence[HistoryRow]) -> Iterator[tuple[str, str]]:
    """Yield a line and its detail; the same thing many times in a row is one line."""
    for _, group in groupby(history, lambda one: (one.event, one.seen_by, one.detail)):
        rows = list(group)
        if len(rows) < _GATHERED or rows[0].session_id is not None:
            yield from (
                (f"{_when(one)} {one.event.value} ({one.seen_by})", _more(one)) for one in rows
            )
        else:
            span = f"{rows[0].happened_at[:10]} to {rows[-1].happened_at[:10]}"
            what = f"{rows[0].event.value} {len(rows):,} times ({rows[0].seen_by})"
            yield f"{span} {what}", _more(rows[0])


def _when(row: HistoryRow) -> str:
    return row.happened_at  # in full, as mend --as-of takes it


def _more(row: HistoryRow) -> str:
    if row.session_id is None:
        return row.detail
    machine = f", {row.machine}" if row.machine else ""
    where = f" on {row.card}" if row.event is Happening.STAGED else ""
    return f"{row.session}{machine}{where}: {row.detail}"


def _dict(row: HistoryRow) -> dict[str, Any]:
    session = chosen(row, "machine", "card", number=row.session_id, name=row.session)
    return chosen(
        row,
        *("happened_at", "event", "seen_by", "detail"),
        session=session if row.session_id is not None else None,
    )
