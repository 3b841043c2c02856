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
    children: dict[str, list[tuple[str, Entry]]] = {}
    for entry in volume.entries:
        folder, _, name = entry.path.rpartition("/")
        known = children.get(folder)
        if known is None:
            known = children[folder] = []
        known.append((name, entry))
    # A stack instead of recursion: hostile trees can be deep.
    waiting = [iter(children.get("", ()))]
    while waiting:
        indent = INDENT * len(waiting)
        for name, entry in waiting[-1]:
            path, _, size, is_directory, extents, date, flags, _ = entry
            if not (name.isascii() and name.isprintable()):
                name = printable(name)
            what = f"{indent}{name}/" if is_directory else f"{indent}{name}  {size:,}"
            more = _more_words(flags, len(extents)) if flags & _SAID or len(extents) > 1 else ""
            yield what + _day(date) + more
            if is_directory and path in children:
                waiting.append(iter(children.pop(path)))
                break
        else:
            waiting.pop()


_SAID = FLAG_HIDDEN | FLAG_ASSOCIATED


def _more_words(flags: int, section_count: int) -> str:
    words = [""]
    if flags & FLAG_HIDDEN:
        words.append("hidden")
    if flags & FLAG_ASSOCIATED:
        words.append("associated")
    if section_count > 1:
        words.append(count_text(section_count, "section"))
    return "  ".join(words)


@lru_cache(maxsize=4096)  # most entries of a disc share few dates
def _day(date: bytes) -> str:
    modified = parse_record_date(date)
    return f"  {modified:%Y-%m-%d}" if modified is not None else ""
