"""A volume's tree as lines of text; quick enough for 100,000 entries."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from itertools import compress, count
from operator import add

from mediashelf.formats.entries import Folder, iter_folders
from mediashelf.formats.volume import (
    FLAG_ASSOCIATED,
    FLAG_HIDDEN,
    VolumeFacts,
    parse_record_date,
)
from mediashelf.text import count_text, printable

INDENT = "  "


def tree_lines(volume: VolumeFacts) -> Iterator[str]:
    """Yield the lines of entries, one each, children indented below their directory.

    A line has name, size and date. Directories come in recorded order; lines are safe to
    print, and come many in a piece.
    """
    children: dict[str, list[Folder]] = {}
    for folder in iter_folders(volume.entries):
        children.setdefault(folder.path, []).append(folder)
    # A stack instead of recursion: hostile trees can be deep.
    waiting = [_pieces(children.pop("", []), INDENT)]
    while waiting:
        for path, lines in waiting[-1]:
            if lines:
                yield "\n".join(lines)
            if path in children:
                waiting.append(_pieces(children.pop(path), INDENT * (len(waiting) + 1)))
                break
        else:
            waiting.pop()


_SAID = FLAG_HIDDEN | FLAG_ASSOCIATED


def _pieces(folders: list[Folder], indent: str) -> Iterator[tuple[str, list[str]]]:
    """Yield lines in pieces that end with a directory, and its path; at last those after it."""
    for folder in folders:
        lines = _lines(folder, indent)
        start = 0
        for index in compress(count(), folder.are_folders):
            yield f"{folder.path}/{folder.names[index]}", lines[start : index + 1]
            start = index + 1
        yield "", lines[start:]


def _lines(folder: Folder, indent: str) -> list[str]:
    """Return the line of each entry of a folder."""
    together = "".join(folder.names)
    is_plain = together.isascii() and together.isprintable()
    names = folder.names if is_plain else map(printable, folder.names)
    days = {date: _day(date) for date in set(folder.dates)}  # most share few dates
    tails: Iterable[str] = map(days.__getitem__, folder.dates)
    if folder.has_sections or any(flags & _SAID for flags in set(folder.flags)):
        counts = map(len, folder.iter_extents())
        words = map(_more_words, folder.flags, counts)
        tails = map(add, tails, words)
    columns = zip(names, folder.sizes, folder.are_folders, tails, strict=True)
    if not folder.has_folders:
        return [f"{indent}{name}  {size:,}{tail}" for name, size, _, tail in columns]
    return [
        f"{indent}{name}/{tail}" if is_folder else f"{indent}{name}  {size:,}{tail}"
        for name, size, is_folder, tail in columns
    ]


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
