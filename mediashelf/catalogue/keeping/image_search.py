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
from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from fnmatch import translate

from mediashelf.catalogue import images
from mediashelf.catalogue.listing import fold
from mediashelf.catalogue.records.reading import reads_catalogue
from mediashelf.catalogue.rows import ImageRow, keep_path, kept_path, kept_text
from mediashelf.catalogue.store import Catalogue
from mediashelf.catalogue.summaries import complete_summaries

SHORTEST_DIGEST = 8
"""Characters of a digest that are looked for; fewer are looked for as a name."""

_LONGEST_TEXT = 1000
_DIGEST = re.compile(r"[0-9a-f]{8,128}")
_DATE = re.compile(r"[0-9]{4}(-[0-9]{2}(-[0-9]{2})?)?")


@dataclass(frozen=True, slots=True)
class ImageHit:
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
    numbers = {word: _by_number(catalogue, word) for word in words}
    tests = [_test(word, numbers[word]) for word in words]
    longest = max(words, key=len)
    among = _likely(db, longest)
    if among is not None:
        among |= numbers[longest].keys()
    found = {
        image_id: reasons
        for image_id, texts in _iter_texts(db, shelf_id, among)
        if (reasons := _reasons(image_id, texts, tests))
    }
    rows = sorted(
        images.by_ids(db, found).values() if len(found) <= limit else _first(db, found, limit),
        key=lambda row: (row.shelf, row.path),
    )
    hits = [ImageHit(row, tuple(dict.fromkeys(found[row.id]))) for row in rows]
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


_Texts = list[tuple[str, str]]
_Test = Callable[[int, _Texts], str]


def _reasons(image_id: int, texts: _Texts, tests: list[_Test]) -> list[str]:
    """Return what each word fits; nothing where one fits nothing."""
    reasons = []
    for test in tests:
        reason = test(image_id, texts)
        if not reason:
            return []
        reasons.append(reason)
    return reasons


def _test(word: str, others: Mapping[int, str]) -> _Test:
    """Return what tells by which of its texts an image fits a word, or among which others it is."""
    if "*" in word or "?" in word:
        fits = re.compile(translate(word.replace("[", "[[]"))).match

        def by_pattern(image_id: int, texts: _Texts) -> str:
            return next((name for name, text in texts if fits(text.rpartition("/")[2])), "")

        return by_pattern

    def by_part(image_id: int, texts: _Texts) -> str:
        reason = next((name for name, text in texts if word in text), "")
        return reason or others.get(image_id, "")

    return by_part


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


_HAS = "(instr(lower(CAST({0} AS TEXT)), ?1) OR CAST({0} AS TEXT) GLOB '*[^ -~]*')"
_WORDS = ("tags", "note", "place", "part_number", "set_name")
_LIKELY = " UNION ALL ".join(
    (
        f"SELECT id FROM images WHERE {_HAS.format('path')}",
        f"SELECT image_id FROM volumes WHERE {_HAS.format('label')}",
        "SELECT image_id FROM descriptions CROSS JOIN fixity USING (digest) "
        f"WHERE {' OR '.join(map(_HAS.format, _WORDS))}",
    )
)


def _likely(db: sqlite3.Connection, word: str) -> set[int] | None:
    """Return images that may have a word in some text, none left out; None for all of them.

    SQLite folds ASCII alone, so texts with other characters are likely too.
    """
    if not word.isascii() or "*" in word or "?" in word:
        return None
    return {image_id for (image_id,) in db.execute(_LIKELY, [word])}


def _iter_texts(
    db: sqlite3.Connection, shelf_id: int | None, among: set[int] | None
) -> Iterator[tuple[int, _Texts]]:
    """Yield what is searched of each image ``among`` all, folded, with what it is called."""
    wanted = json.dumps(sorted(among)) if among is not None else ""
    picked = " IN (SELECT value FROM json_each(?))" if among is not None else " != ?"
    labels: dict[int, dict[str, None]] = defaultdict(dict)
    for image_id, label in db.execute(
        f"SELECT image_id, label FROM volumes WHERE image_id{picked} AND label != x''", [wanted]
    ):
        labels[image_id][fold(kept_text(label))] = None
    words: dict[int, _Texts] = {}
    for image_id, tags, note, place, part_number, set_name in db.execute(
        "SELECT image_id, tags, note, place, part_number, set_name FROM descriptions "
        f"CROSS JOIN fixity USING (digest) WHERE replaced_at IS NULL AND image_id{picked}",
        [wanted],
    ):
        pairs = [("note", note), ("place", place), ("part number", part_number), ("set", set_name)]
        words[image_id] = [
            *(("tag", fold(tag)) for tag in kept_text(tags).split("\n")),
            *((name, fold(kept_text(text))) for name, text in pairs),
        ]
    where, values = (" AND shelf_id = ?", [shelf_id]) if shelf_id is not None else ("", [])
    for image_id, path in db.execute(
        f"SELECT id, path FROM images WHERE id{picked}{where}", [wanted, *values]
    ):
        texts = [("name", fold(kept_path(path)))]
        texts += [("label", label) for label in labels.get(image_id, ())]
        texts += words.get(image_id, [])
        yield image_id, texts


def _first(db: sqlite3.Connection, found: dict[int, list[str]], limit: int) -> list[ImageRow]:
    """Return the first of many by shelf and path; the rest are only counted."""
    order = [
        image_id
        for (image_id,) in db.execute(
            "SELECT images.id FROM images JOIN shelves ON shelves.id = shelf_id "
            "ORDER BY shelves.name, path"
        )
        if image_id in found
    ]
    return list(images.by_ids(db, order[:limit]).values())
