"""A volume's tree as lines of text; quick enough for 100,000 entries."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import compress, count

from mediashelf.formats.entries import Folder, iter_folders
from mediashelf.formats.shared_column import SharedColumn
from mediashelf.formats.volume import FLAG_ASSOCIATED, FLAG_HIDDEN, VolumeFacts, parse_record_date
from mediashelf.text import count_text, is_plain, printable

INDENT = "  "


class TreeText:
    """The trees of a disc as text."""

    def __init__(self) -> None:
        self._tails = SharedColumn(_tails)

    def pieces(self, volume: VolumeFacts) -> Iterator[str]:
        """Yield the lines of a volume's entries, one each, many in a piece.

        A line has name, size and date, and is safe to print. Children are indented below
        their directory; directories come in recorded order.
        """
        children: dict[str, list[Folder]] = {}
        for folder in iter_folders(volume.entries):
            children.setdefault(folder.path, []).append(folder)
        # A stack instead of recursion: hostile trees can be deep.
        waiting = [self._parts(children.pop("", []), INDENT)]
        while waiting:
            for path, lines in waiting[-1]:
                if lines:
                    yield lines
                if path in children:
                    waiting.append(self._parts(children.pop(path), INDENT * (len(waiting) + 1)))
                    break
            else:
                waiting.pop()

    def _parts(self, folders: list[Folder], indent: str) -> Iterator[tuple[str, str]]:
        """Yield lines up to each directory with its path, and at last those after it."""
        for folder in folders:
            names = folder.names
            if not is_plain("".join(names)):
                names = list(map(printable, names))
            tails = self._tails.of(folder)
            start = 0
            for index in compress(count(), folder.are_folders):
                part = slice(start, index + 1)
                yield (
                    f"{folder.path}/{folder.names[index]}",
                    woven(indent, names[part], tails[part]),
                )
                start = index + 1
            yield "", woven(indent, names[start:], tails[start:])


_SAID = FLAG_HIDDEN | FLAG_ASSOCIATED


def woven(*columns: Sequence[str] | str) -> str:
    """Return the rows of columns as one text; a column that is one text is the same in each row.

    In a quarter of the time that it takes row by row.
    """
    count, width = len(columns[-1]), len(columns)
    cells = [""] * (count * width)
    for place, column in enumerate(columns):
        cells[place::width] = [column] * count if isinstance(column, str) else column
    return "".join(cells)


def _tails(folder: Folder) -> list[str]:
    """Return what comes after the name of each entry of a folder, with the end of its line."""
    days = {date: f"{_day(date)}\n" for date in set(folder.dates)}  # most share few dates
    ends = list(map(days.__getitem__, folder.dates))
    if folder.has_sections or any(flags & _SAID for flags in set(folder.flags)):
        words = map(_more_words, folder.flags, map(len, folder.iter_extents()))
        ends = [f"{end[:-1]}{more}\n" for end, more in zip(ends, words, strict=True)]
    tails = [
        f"  {size}{end}" if size < 1000 else f"  {size:,}{end}"  # the first is quicker
        for size, end in zip(folder.sizes, ends, strict=True)
    ]
    for index in compress(count(), folder.are_folders):
        tails[index] = f"/{ends[index]}"
    return tails


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
