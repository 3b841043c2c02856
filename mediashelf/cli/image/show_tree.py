"""A volume's tree as lines of text; quick enough for 100,000 entries."""

from __future__ import annotations

from collections.abc import Iterator

from mediashelf.formats.volume import (
    FLAG_ASSOCIATED,
    FLAG_HIDDEN,
    Entry,
    VolumeFacts,
    parse_record_date,
)
from mediashelf.text import count_text, printable

INDENT = "  "


def tree_lines(volume: VolumeFacts) -> Iterator[str]:
    """Yield one line an entry, children indented below their directory: name, size, date.

    Directories come in recorded order; lines are safe to print.
    """
    children: dict[str, list[Entry]] = {}
    for entry in volume.entries:
        folder = entry[0].rpartition("/")[0]
        known = children.get(folder)
        if known is None:
            known = children[folder] = []
        known.append(entry)
    # A stack instead of recursion: hostile trees can be deep.
    waiting = [_lines(children.pop("", []), 1, INDENT)]
    while waiting:
        for path, line in waiting[-1]:
            yield line
            if path in children:
                inner = _lines(children.pop(path), len(path) + 1, INDENT * (len(waiting) + 1))
                waiting.append(inner)
                break
        else:
            waiting.pop()


_SAID = FLAG_HIDDEN | FLAG_ASSOCIATED


def _lines(entries: list[Entry], start: int, indent: str) -> Iterator[tuple[str, str]]:
    """Yield the path of each folder in a folder, or nothing for a file, with its line."""
    together = "".join([entry[0] for entry in entries])
    is_plain = together.isascii() and together.isprintable()
    days: dict[bytes, str] = {}  # most entries of a disc share few dates
    for path, _, size, is_directory, extents, date, flags, _ in entries:
        name = path[start:] if is_plain else printable(path[start:])
        day = days.get(date)
        if day is None:
            day = days[date] = _day(date)
        if flags & _SAID or len(extents) > 1:
            day += _more_words(flags, len(extents))
        if is_directory:
            yield path, f"{indent}{name}/{day}"
        else:
            yield "", f"{indent}{name}  {size:,}{day}"


def _day(date: bytes) -> str:
    modified = parse_record_date(date)
    return f"  {modified:%Y-%m-%d}" if modified is not None else ""


def _more_words(flags: int, section_count: int) -> str:
    words = [""]
    if flags & FLAG_HIDDEN:
        words.append("hidden")
    if flags & FLAG_ASSOCIATED:
        words.append("associated")
    if section_count > 1:
        words.append(count_text(section_count, "section"))
    return "  ".join(words)
