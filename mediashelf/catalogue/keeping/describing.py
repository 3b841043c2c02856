"""The keeper's words on discs: note, tags, place, part number, set; changed and in the history."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence

from msgspec import Struct
from msgspec.structs import replace

from mediashelf.catalogue.history import Happening, keep
from mediashelf.catalogue.records.described import description_of, write_description
from mediashelf.catalogue.rows import Description, ImageRow
from mediashelf.catalogue.schema import transaction
from mediashelf.catalogue.store import Catalogue
from mediashelf.errors import InputError
from mediashelf.text import fold, printable

LONGEST = {"note": 4000, "tag": 60, "place": 200, "part number": 200, "set": 200}
"""Characters of each; a note may have line breaks."""

_SET = re.compile(r"(?:(?P<name>.*?)\s+)?(?P<number>[0-9]{1,5})\s*/\s*(?P<size>[0-9]{1,5})", re.S)
_LARGEST_SET = 65_535  # as in a volume descriptor: ECMA-119 8.4.9, 16 bits


class Change(Struct, frozen=True):
    """What is to be said of a disc; None leaves what was said, an empty text takes it back.

    ``tags`` are all tags in the place of the earlier ones, ``more_tags`` and ``less_tags``
    come and go; ``set_text`` is ``2/3`` or ``NAME 2/3``.
    """

    note: str | None = None
    place: str | None = None
    part_number: str | None = None
    set_text: str | None = None
    tags: tuple[str, ...] | None = None
    more_tags: tuple[str, ...] = ()
    less_tags: tuple[str, ...] = ()

    @property
    def is_nothing(self) -> bool:
        """True where it changes nothing."""
        return self == Change()

    def applied(self, words: Description) -> Description:
        """Return the words as they are then; raises :class:`InputError` for what cannot be said."""
        tags = words.tags if self.tags is None else self.tags
        gone = set(map(fold, self.less_tags))
        kept = {fold(tag): tag for tag in (*tags, *self.more_tags) if fold(tag) not in gone}
        changed = replace(
            words,
            note=_said(self.note, words.note),
            tags=tuple(kept[each] for each in sorted(kept)),
            place=_said(self.place, words.place),
            part_number=_said(self.part_number, words.part_number),
        )
        if self.set_text is not None:
            name, number, size = parse_set(self.set_text)
            changed = replace(changed, set_name=name, set_number=number, set_size=size)
        _refuse_unfit(changed)
        return changed


def _said(new: str | None, old: str) -> str:
    return old if new is None else new.strip()


def parse_set(text: str) -> tuple[str, int, int]:
    """Return name, number and size of ``Kiosk 2/3``; raises :class:`InputError`."""
    if not text.strip():
        return "", 0, 0
    match = _SET.fullmatch(text.strip())
    if match is None:
        raise InputError(f"{text!r} is not a place in a set; write it like 2/3 or 'Kiosk 2/3'")
    number, size = int(match["number"]), int(match["size"])
    if not 1 <= number <= size <= _LARGEST_SET:
        raise InputError(f"{text!r}: a set of {size:,} discs has no disc {number:,}")
    return match["name"] or "", number, size


def _refuse_unfit(words: Description) -> None:
    texts: list[tuple[str, str]] = [
        ("note", words.note),
        ("place", words.place),
        ("part number", words.part_number),
        ("set", words.set_name),
        *(("tag", tag) for tag in words.tags),
    ]
    for what, text in texts:
        plain = text.replace("\n", " ") if what == "note" else text
        if printable(plain) != plain:
            raise InputError(f"{text!r}: a {what} may not contain control characters")
        if len(text) > LONGEST[what]:
            raise InputError(f"a {what} has {LONGEST[what]:,} characters at most")
    for tag in words.tags:
        if not tag.strip() or tag != tag.strip() or "," in tag:
            raise InputError(
                f"{tag!r} is not a tag: it may not be empty, contain a comma, or begin or end "
                "with a space"
            )


def describe(catalogue: Catalogue, rows: Sequence[ImageRow], change: Change) -> list[Description]:
    """Change what is said of these images, all or none; return the words on each.

    Every image on record with the same bytes has them then. Raises :class:`InputError` for
    an image without a record, and for what cannot be said.
    """
    return describe_each(catalogue, [(row, change) for row in rows])


def describe_each(
    catalogue: Catalogue, changes: Iterable[tuple[ImageRow, Change]]
) -> list[Description]:
    """Change what is said of each image as is said for it, all or none."""
    result = []
    with transaction(catalogue.db):
        for row, change in changes:
            if not row.key_digest:
                raise InputError(
                    f"{row.where}: has no record, so nothing can be said of its bytes; scan it"
                )
            before = description_of(catalogue.db, row.key_digest)
            after = change.applied(before)
            if after != before:
                write_description(catalogue.db, row.key_digest, after)
                keep(catalogue.db, row.id, Happening.DESCRIBED, "describe", _words(before, after))
            result.append(after)
    return result


def _words(before: Description, after: Description) -> str:
    """Say what changed, with the earlier words, as nothing else keeps them."""
    pairs = [
        ("note", before.note, after.note),
        ("tags", ", ".join(before.tags), ", ".join(after.tags)),
        ("place", before.place, after.place),
        ("part number", before.part_number, after.part_number),
        ("set", before.set_text, after.set_text),
    ]
    return "; ".join(
        f"{name}: {new or 'none'}" + (f" (was {old})" if old else "")
        for name, old, new in pairs
        if old != new
    )
