"""Finding images by what is known of them: name, label, date, digest, and the keeper's words.

Every word of the text must fit something: a part of the path, a label, a tag, the note, the
place, the part number or the set, letter case aside; the beginning of a volume's date
(``1999``, ``1999-06``); or the first eight characters or more of a digest, recorded or
published. A word with ``*`` or ``?`` is a pattern for the file's name or a label.
A whole name as screens print it, ``shelf: path``, is that image alone.

All images are looked through: that takes a few milliseconds for ten thousand.
"""

from __future__ import annotations

import json
import re
import sqlite3
from collections.abc import Callable, Collection
from fnmatch import translate
from itertools import islice

from msgspec import Struct

from mediashelf.catalogue import images
from mediashelf.catalogue.records.reading import reads_catalogue
from mediashelf.catalogue.rows import ImageRow, keep_path, kept_path, kept_text
from mediashelf.catalogue.store import Catalogue
from mediashelf.catalogue.summaries import complete_summaries
from mediashelf.text import fold

SHORTEST_DIGEST = 8
"""Characters of a digest that are looked for; fewer are looked for as a name."""

_LONGEST_TEXT = 1000
_DIGEST = re.compile(r"[0-9a-f]{8,128}")
_DATE = re.compile(r"[0-9]{4}(-[0-9]{2}(-[0-9]{2})?)?")


class ImageHit(Struct, frozen=True):
    """An image that fits, and by what: ``name``, ``label``, ``tag``, ``sha256`` …"""

    image: ImageRow
    by: tuple[str, ...]


@reads_catalogue
def find_images(
    catalogue: Catalogue, text: str, *, limit: int = 50, shelf: str | None = None
) -> tuple[list[ImageHit], int]:
    """Return images that every word fits, by shelf and path, and how many more there are."""
    words = fold(text[:_LONGEST_TEXT]).split()
    if not words:
        return [], 0
    db = catalogue.db
    shelf_id = catalogue.shelf(shelf).id if shelf is not None else None
    named = _by_place(db, text, shelf_id)
    if named is not None:
        return [ImageHit(named, ("name",))], 0
    by_word: dict[str, dict[int, str]] = {}
    left: Collection[int] | None = None  # the images that every word so far fits
    for word in sorted(words, key=len, reverse=True):  # the rarest first
        by_word[word] = fits = _fitting(catalogue, word, left)
        left = fits.keys() if left is None else fits.keys() & left
    if shelf_id is not None:
        on_shelf = db.execute("SELECT id FROM images WHERE shelf_id = ?", [shelf_id])
        left = {image_id for (image_id,) in on_shelf} & set(left or ())
    found = frozenset(left or ())
    rows = sorted(
        images.by_ids(db, found).values() if len(found) <= limit else _first(db, found, limit),
        key=lambda row: (row.shelf, row.path),
    )
    hits = [
        ImageHit(row, tuple(dict.fromkeys(by_word[word][row.id] for word in words))) for row in rows
    ]
    return hits, len(found) - len(hits)


def _by_place(db: sqlite3.Connection, text: str, shelf_id: int | None) -> ImageRow | None:
    """Return the image of which the text is the whole name as screens print it, ``shelf: path``."""
    for colon in re.finditer(":", text):
        found = db.execute(
            "SELECT images.id, shelf_id FROM images JOIN shelves ON shelves.id = shelf_id "
            "WHERE name = ? AND path = ?",
            [text[: colon.start()], keep_path(text[colon.end() :].removeprefix(" "))],
        ).fetchone()
        if found is not None and shelf_id in (None, found[1]):
            return images.by_ids(db, found[:1])[found[0]]
    return None


def _fitting(catalogue: Catalogue, word: str, known: Collection[int] | None) -> dict[int, str]:
    """Return the images that a word fits, each with by what: the first of its texts that does.

    ``known`` are those that other words fit; other images may be left out.
    """
    fits = _test(word)
    where, values = "1", [word]
    if known is not None and len(known) <= _FEW:
        where = "image_id IN (SELECT value FROM json_each(?2))"
        values.append(json.dumps(sorted(known)))
    (count,) = catalogue.db.execute("SELECT count(*) FROM images").fetchone()
    found: dict[int, str] = {}
    for names, sql in _SOURCES if _is_plain(word) else _ALL_OF_SOURCES:
        for image_id, *texts in catalogue.db.execute(f"{sql} AND {where}", values):
            for name, text in zip(names, texts, strict=True):
                # A text that is not here was compared by SQLite.
                if image_id not in found and (text is None or fits(fold(_text(name, text)))):
                    found[image_id] = name
        if len(found) == count:  # a common word, which need not be looked for any further
            return found
    for image_id, reason in _by_number(catalogue, word).items():
        found.setdefault(image_id, reason)
    return found


def _text(name: str, data: bytes) -> str:
    return kept_path(data) if name == "name" else kept_text(data)


def _test(word: str) -> Callable[[str], bool]:
    """Return what tells whether a word fits a text, both folded."""
    if "*" not in word and "?" not in word:
        return lambda text: word in text
    fits = re.compile(translate(word.replace("[", "[[]"))).match
    return lambda text: any(fits(line.rpartition("/")[2]) for line in text.split("\n"))


def _by_number(catalogue: Catalogue, word: str) -> dict[int, str]:
    """Return the images that a word fits as the beginning of a digest or a date."""
    found: dict[int, str] = {}
    if _DATE.fullmatch(word):
        complete_summaries(catalogue)
        for name in ("created", "modified", "effective"):
            for (image_id,) in catalogue.db.execute(
                f"SELECT image_id FROM disc_summaries WHERE substr({name}, 1, ?) = ?",
                [len(word), word],
            ):
                found.setdefault(image_id, name)
    if len(word) >= SHORTEST_DIGEST and _DIGEST.fullmatch(word):
        span = (word, f"{word}g")
        for image_id, algorithm, is_earlier in catalogue.db.execute(
            "SELECT image_id, algorithm, replaced_at IS NOT NULL FROM fixity "
            "WHERE digest >= ? AND digest < ? ORDER BY replaced_at IS NOT NULL",
            span,
        ):
            found.setdefault(image_id, f"earlier {algorithm}" if is_earlier else algorithm)
        for image_id, algorithm in catalogue.db.execute(
            "SELECT image_id, algorithm FROM expected_digests WHERE digest >= ? AND digest < ?",
            span,
        ):
            found.setdefault(image_id, f"published {algorithm}")
    return found


_FEW = 2_000  # images among which a further word is looked for; where there are more, among all
_WORDS = {
    "tag": "tags",
    "note": "note",
    "place": "place",
    "part number": "part_number",
    "set": "set_name",
}
_OF_WORDS = "descriptions CROSS JOIN fixity USING (digest) WHERE replaced_at IS NULL AND length(?1)"

# SQLite folds ASCII alone: a text with other characters is given, to be compared by fold().
_OTHER = "CAST({0} AS TEXT) GLOB '*[^ -~]*'"
_LIKELY = f"(instr(lower(CAST({{0}} AS TEXT)), ?1) OR {_OTHER})"
_GIVEN = f"CASE WHEN {_OTHER} THEN {{0}} END"
_ALL_OF_WORDS = (
    tuple(_WORDS),
    f"SELECT image_id, {', '.join(_WORDS.values())} FROM {_OF_WORDS}",
)
_SOURCES = (
    (
        ("name",),
        f"SELECT id AS image_id, {_GIVEN.format('path')} FROM images "
        f"WHERE {_LIKELY.format('path')}",
    ),
    (
        ("label",),
        f"SELECT image_id, {_GIVEN.format('label')} FROM volumes WHERE {_LIKELY.format('label')}",
    ),
    (
        _ALL_OF_WORDS[0],
        f"{_ALL_OF_WORDS[1]} AND ({' OR '.join(map(_LIKELY.format, _WORDS.values()))})",
    ),
)
"""What is searched: what the texts are called, and a query for the images where they are likely."""

_ALL_OF_SOURCES = (
    (("name",), "SELECT id AS image_id, path FROM images WHERE length(?1)"),
    (("label",), "SELECT image_id, label FROM volumes WHERE length(?1)"),
    _ALL_OF_WORDS,
)


def _is_plain(word: str) -> bool:
    """Tell whether SQLite can look for a word."""
    return word.isascii() and "*" not in word and "?" not in word


def _first(db: sqlite3.Connection, found: Collection[int], limit: int) -> list[ImageRow]:
    """Return the first of many by shelf and path; the rest are only counted."""
    order = (
        image_id
        for (shelf_id,) in db.execute("SELECT id FROM shelves ORDER BY name").fetchall()
        for (image_id,) in db.execute(
            "SELECT id FROM images WHERE shelf_id = ? ORDER BY path", [shelf_id]
        )
        if image_id in found
    )
    return list(images.by_ids(db, islice(order, limit)).values())
