"""The rows of a library as compact JSON that is safe inside a page.

A row is a list whose empty end is cut off; ``FIELDS`` names its places, and the page's
script reads them by the same names. Texts that many images share are kept once, in tables,
and a row has their number there.
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from msgspec import Struct

from mediashelf.catalogue.images import kinds_of
from mediashelf.catalogue.questions.duplicates import content_key
from mediashelf.catalogue.rows import ImageRow
from mediashelf.findings import Severity
from mediashelf.formats.disc_summary import DiscSummary
from mediashelf.formats.volume import VolumeKind
from mediashelf.reports.allowance import shorten

FIELDS = (
    *("path", "shelf", "label", "size", "state", "volumes", "systems", "copies", "alike"),
    *("confirmed", "recorded", "entries", "errors", "warnings", "notes", "digest", "algorithm"),
    *("boot", "tags", "set", "place", "note", "created", "application", "part_number"),
    *("installers", "problem"),
)

_LONGEST_NOTE = 1000

_UNKNOWN = -1  # systems of an image that was never read as a disc

# Besides what could end the script's element: line ends of JavaScript that JSON allows.
_ESCAPES = {ord(sign): f"\\u{ord(sign):04x}" for sign in "<>&\u2028\u2029"}


class Tables:
    """Texts by the name of their table; each is kept once."""

    def __init__(self) -> None:
        self._numbers: dict[str, dict[str, int]] = {}

    def number(self, table: str, text: str) -> int:
        """Return the place of a text in its table; the empty text is 0 in each."""
        numbers = self._numbers.setdefault(table, {"": 0})
        return numbers.setdefault(text, len(numbers))

    def as_lists(self) -> dict[str, list[str]]:
        """Return every table as the list of its texts."""
        return {name: list(numbers) for name, numbers in self._numbers.items()}


class ListedDisc(Struct, frozen=True):
    """What is known of an image's disc beside its record.

    ``reads`` tells which systems read it, in the order of the page's; None for an image that
    was never read as a disc. ``set_text`` is its place in a set as people read it.
    """

    summary: DiscSummary
    set_text: str = ""
    reads: tuple[bool, ...] | None = None


def packed_rows(
    rows: Sequence[ImageRow],
    discs: Mapping[int, ListedDisc],
    alike: Mapping[int, int],
    tables: Tables,
) -> Iterator[list[Any]]:
    """Yield the values of each image, as ``FIELDS`` has them.

    ``discs`` are by an image's id. ``alike`` gives those a common number that look like one
    disc and have other bytes.
    """
    copies = Counter(map(content_key, rows))
    for row in rows:
        content = content_key(row)
        disc, words = discs[row.id], row.description
        algorithm, digest = best_digest(row)
        values = [
            shorten(row.path),
            tables.number("shelf", row.shelf),
            shorten(row.label),
            row.size,
            tables.number("state", row.state),
            tables.number("volumes", volumes_text(row)),
            _UNKNOWN if disc.reads is None else sum(bit << at for at, bit in enumerate(disc.reads)),
            tables.number("copies", content) if copies[content] > 1 else 0,
            alike.get(row.id, 0),
            tables.number("day", row.confirmed_at[:10]),
            tables.number("day", row.recorded_at[:10]),
            row.entry_count,
            row.finding_counts.get(Severity.ERROR, 0),
            row.finding_counts.get(Severity.WARNING, 0),
            row.finding_counts.get(Severity.NOTE, 0),
            digest,
            tables.number("algorithm", algorithm),
            tables.number("boot", ", ".join(disc.summary.boot)),
            [tables.number("tag", tag) for tag in words.tags],
            tables.number("set", disc.set_text),
            tables.number("place", words.place),
            shorten(words.note, _LONGEST_NOTE),
            tables.number("day", disc.summary.created[:10]),
            tables.number("application", disc.summary.application),
            shorten(words.part_number),
            tables.number("installers", ", ".join(disc.summary.installers)),
            shorten(row.problem),
        ]
        while not values[-1]:
            values.pop()
        yield values


def volumes_text(row: ImageRow) -> str:
    """Return the volumes of an image as people call them: ``ISO 9660, Joliet``."""
    words = {kind.value: kind.words for kind in VolumeKind}
    return ", ".join(dict.fromkeys(words.get(kind, kind) for kind in kinds_of(row)))


def best_digest(row: ImageRow) -> tuple[str, str]:
    """Return algorithm and digest to show: the one that published lists have, if it is there."""
    for algorithm in ("sha256", *row.digests):
        if algorithm in row.digests:
            return algorithm, row.digests[algorithm]
    return "", ""


def safe_json(value: object) -> str:
    """Return JSON that a script element can hold: nothing in it ends the element."""
    return json.dumps(value, ensure_ascii=False, separators=(",", ":")).translate(_ESCAPES)
