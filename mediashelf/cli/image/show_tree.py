"""A volume's tree as lines of text; quick enough for 100,000 entries."""

from __future__ import annotations

from collections.abc import Iterator
from functools import lru_cache

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
        children.setdefault(entry.path.rpartition("/")[0], []).append(entry)
    # A stack instead of recursion: hostile trees can be deep.
    waiting = [iter(children.get("", ()))]
    while waiting:
        for entry in waiting[-1]:
            yield INDENT * len(waiting) + _entry_line(entry)
            if entry.is_directory and entry.path in children:
                waiting.append(iter(children.pop(entry.path)))
                break
        else:
            waiting.pop()


def _entry_line(entry: Entry) -> str:
    name = printable(entry.path.rpartition("/")[2])
    words = [f"{name}/" if entry.is_directory else f"{name}  {entry.size:,}"]
    day = _day(entry.date)
    if day:
        words.append(day)
    if entry.flags & FLAG_HIDDEN:
        words.append("hidden")
    if entry.flags & FLAG_ASSOCIATED:
        words.append("associated")
    if len(entry.extents) > 1:
        words.append(count_text(len(entry.extents), "section"))
    return "  ".join(words)


@lru_cache(maxsize=4096)  # most entries of a disc share few dates
def _day(date: bytes) -> str:
    modified = parse_record_date(date)
    return f"{modified:%Y-%m-%d}" if modified is not None else ""
