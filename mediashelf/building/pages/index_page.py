"""The index page: a text on the disc that tells what is on it, and which short name is which file.

ASCII, lines of at most 79 columns that end in CR LF, so that it can be read at a
DOS prompt. The digests in it become known only when the sources are read, but
take the same room whatever they are; so its size is known when the disc is planned.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

from mediashelf.building.naming.characters import ascii_text
from mediashelf.building.naming.directory import PlannedDirectory
from mediashelf.building.naming.trees import NamedTrees
from mediashelf.building.pages.disc_pages import DiscPages, Note
from mediashelf.building.pages.page_text import (
    WIDTH,
    backslashes,
    long_name_lines,
    note_lines,
    series_lines,
    series_title,
    table_lines,
)
from mediashelf.building.tree import DiscFile
from mediashelf.text import count_text

NO_PAGES = DiscPages()

DIGEST_DIGITS = 16
"""How much of a SHA-256 the page shows: 64 bits, enough to tell files apart."""

_ROOM = WIDTH - len("  = ")

_EXPLANATION = f"""\
Files are listed under their folder: short name, size in bytes, and the first
{DIGEST_DIGITS} digits of the SHA-256 digest. A long name that differs is on the next line,
after "="; letters outside ASCII are spelled in ASCII there.
"""
_MOVED = """
Folders in {place} are nested deeper than DOS can read. Their long names tell
where they belong.
"""


def index_size(
    label: str, trees: NamedTrees, pages: DiscPages = NO_PAGES, notes: Sequence[Note] = ()
) -> int:
    """Return the bytes of the page."""
    return sum(map(len, iter_index(label, trees, pages, notes)))


def iter_index(
    label: str, trees: NamedTrees, pages: DiscPages = NO_PAGES, notes: Sequence[Note] = ()
) -> Iterator[bytes]:
    """Yield the page for a disc: every file that has a source, in the ISO tree's folders.

    Before them are ``notes`` and what ``pages`` tell. Digests that are not known yet
    show as dashes.
    """
    lines = [f"What is on {ascii_text(label)}"[:WIDTH]]
    front = [*_front(pages, notes)]
    lines += [*front, "", "Files", ""] if front else [""]
    lines += _EXPLANATION.splitlines()
    if trees.moved:
        place = backslashes(trees.moved[0].path.rpartition("/")[0])
        lines += _MOVED.format(place=place).splitlines()
    total_files = total_size = 0
    unknown = "-" * DIGEST_DIGITS
    for directory in _in_reading_order(trees.iso):
        if directory.items and not any(isinstance(item, DiscFile) for item in directory.items):
            continue  # on the way to others, and named with them
        yield _encoded(lines)
        lines = ["", backslashes(directory.path or "/")]
        long_path = trees.long_path(directory)
        if long_path.upper() != directory.path:
            lines += long_name_lines(backslashes(long_path), indent="")
        for name, file in zip(directory.names, directory.items, strict=True):
            if isinstance(file, PlannedDirectory) or file.is_made:
                continue
            total_files += 1
            own = file.own
            total_size += own.size
            digest = (own.equal_to or own).digest[: DIGEST_DIGITS // 2].hex() or unknown
            lines.append(f"  {name:12}  {own.size:13,}  {digest}")
            long_name = file.long_name
            if long_name.upper() != name:
                text = ascii_text(long_name)
                if 0 < len(text) <= _ROOM:
                    lines.append(f"  = {text}")
                else:
                    lines += long_name_lines(long_name, indent="  ")
    lines += ["", f"{count_text(total_files, 'file')}, {total_size:,} bytes."]
    yield _encoded(lines)


def _encoded(lines: Iterable[str]) -> bytes:
    return "\r\n".join([*lines, ""]).encode("ascii")


def _front(pages: DiscPages, notes: Sequence[Note]) -> Iterator[str]:
    if pages.series is not None:
        yield from ("", series_title(pages.series))
    if notes:
        yield from note_lines(notes)
    for table in pages.tables:
        yield from table_lines(table)
    if pages.series is not None:
        yield from series_lines(pages.series)


def _in_reading_order(root: PlannedDirectory) -> Iterator[PlannedDirectory]:
    """Yield folders as people read them: each followed by what is in it."""
    waiting = [root]
    while waiting:
        directory = waiting.pop()
        yield directory
        waiting += [*directory.iter_directories()][::-1]
