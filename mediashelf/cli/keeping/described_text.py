"""The keeper's words on a disc, and published digests, as lines for people."""

from __future__ import annotations

from collections.abc import Sequence

from mediashelf.catalogue.rows import ImageRow

_COPIES_NAMED = 5


def description_lines(row: ImageRow) -> list[str]:
    """Return one line for each thing that is said."""
    words = row.description
    pairs = [
        ("tags", ", ".join(words.tags)),
        ("set", words.set_text),
        ("place", words.place),
        ("part number", words.part_number),
        *(("note", line) for line in words.note.splitlines()),
    ]
    return [f"{name}: {text}" for name, text in pairs if text]


def copy_lines(copies: Sequence[ImageRow]) -> list[str]:
    """Return one line for each of the first copies, and how many more there are."""
    lines = [f"copy: {row.where} ({row.state_word})" for row in copies[:_COPIES_NAMED]]
    more = len(copies) - len(lines)
    if more:
        lines.append(f"copies: {more:,} more, see mediashelf list --duplicates")
    return lines


def published_lines(row: ImageRow) -> list[str]:
    """Return one line for each digest that a list publishes for the image."""
    words = {
        True: "the record has it",
        False: "the record never had it",
        None: "not compared yet; with: mediashelf audit IMAGE --digest ",
    }
    return [
        f"{one.algorithm} published in {one.list_name}: {words[one.is_met]}"
        + (one.algorithm if one.is_met is None else "")
        for one in row.expected
    ]
