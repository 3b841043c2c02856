"""A small page with the same tables as the index, for browsers as old as the systems.

HTML 3.2 without scripts, styles or pictures; ASCII with character references. Links are
relative and lead along the short names, which every system reads in the tree that it
shows when it knows no long ones; where the long name is another one, a second link does
so for systems that show only long names.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Iterator, Sequence
from functools import lru_cache
from itertools import groupby
from urllib.parse import quote

from mediashelf.building.naming.characters import ascii_text
from mediashelf.building.pages.disc_pages import (
    DiscPages,
    DriverRow,
    DriverTable,
    Note,
    Series,
    SeriesPart,
)
from mediashelf.building.pages.page_text import (
    backslashes,
    by_package,
    disc_title,
    is_inf,
    series_title,
    typed_folder,
)
from mediashelf.text import count_text

_HEAD = '<!DOCTYPE HTML PUBLIC "-//W3C//DTD HTML 3.2 Final//EN">'
# About eight pixels a character, the frame apart.
_MOST_OF_WORD = 18
_MOST_OF_PATH = 24
_NEEDS_NO_QUOTES = re.compile(r"[0-9A-Za-z_.~/-]*")  # RFC 3986 2.3, and what parts them
_MARKUP = {"&": "&amp;", "<": "&lt;", ">": "&gt;", '"': "&#34;"}  # 3.2 has no &quot;
_REFERENCES = str.maketrans(_MARKUP)


def render_html(label: str, pages: DiscPages, notes: Sequence[Note], index_name: str) -> bytes:
    """Return the page; ``index_name`` is the short name of the index with all files."""
    title = _text(f"What is on {label}")
    series = pages.series
    lines = [_HEAD, f"<HTML><HEAD><TITLE>{title}</TITLE></HEAD>", "<BODY>", f"<H1>{title}</H1>"]
    if series is not None:
        lines.append(f"<P>{_text(series_title(series))}</P>")
    lines.append(f"<P>Every file: {_link(index_name, index_name)}</P>")
    lines += _notes(notes) if notes else ()
    for table in pages.tables:
        lines += _table(table, 0 if series is None else series.number)
    lines += _series(series) if series is not None else ()
    lines.append("</BODY></HTML>")
    return "".join(f"{line}\r\n" for line in lines).encode("ascii")


def _notes(notes: Iterable[Note]) -> Iterator[str]:
    yield "<H2>Notes</H2>"
    yield "<DL>"
    for note in notes:
        yield f"<DT>{_path(note.short_path, note.long_path)}"
        lines = [_text(line) for line in note.text.strip().splitlines()]
        yield f"<DD>{'<BR>'.join(lines)}"
    yield "</DL>"


def _table(table: DriverTable, own_number: int) -> Iterator[str]:
    yield f"<H2>{_text(table.title)}</H2>"
    if not table.rows:
        return
    yield '<TABLE BORDER="1" CELLPADDING="3">'
    yield "<TR><TH>Class</TH><TH>Device</TH><TH>Package</TH><TH>Where</TH></TR>"
    for device_class, rows in groupby(table.rows, key=lambda row: row.device_class):
        for number, (devices, row) in enumerate(by_package(rows)):
            # Each class is named once; a reader's eye runs down the first column.
            word = _broken(device_class or "other") if number == 0 else "&#160;"
            names = "<BR>".join([_broken(device) for device in devices])
            cells = [word, names, _broken(row.package), _where(row, own_number)]
            yield f'<TR VALIGN="TOP">{"".join(f"<TD>{cell}</TD>" for cell in cells)}</TR>'
    yield "</TABLE>"


def _where(row: DriverRow, own_number: int) -> str:
    if not row.short_path:
        return "&#160;"
    if row.disc and row.disc != own_number:
        place = f"disc {row.disc}: {_broken(backslashes(row.short_path), _MOST_OF_PATH)}"
    else:
        place = _path(row.short_path, row.long_path, _MOST_OF_PATH)
    typed = f"<BR>type {_broken(typed_folder(row), _MOST_OF_PATH)}" if is_inf(row) else ""
    return place + typed


def _series(series: Series) -> Iterator[str]:
    yield "<H2>All discs</H2>"
    for number, disc in enumerate(series.discs, start=1):
        yield f"<H3>{_text(disc_title(number, disc, series))}</H3>"
        if not disc.parts:
            continue  # a list without items is not allowed
        yield "<UL>"
        yield from map(_linked_part, disc.parts) if number == series.number else _parts(disc.parts)
        yield "</UL>"


def _linked_part(part: SeriesPart) -> str:
    return f"<LI>{_path(part.short_path, part.long_path)}, {count_text(part.size, 'byte')}"


@lru_cache(maxsize=1024)  # they are the same on the pages of every other disc
def _parts(parts: tuple[SeriesPart, ...]) -> tuple[str, ...]:
    return tuple(map(_part, parts))


def _part(part: SeriesPart) -> str:
    name = part.long_path if part.long_path.upper() != part.short_path else ""
    place = _text(backslashes(part.short_path)) + (f" = {_text(name)}" if name else "")
    return f"<LI>{place}, {count_text(part.size, 'byte')}"


def _path(short_path: str, long_path: str, most: int = 0) -> str:
    """Return the link to a place on this disc, by its long name as well where that differs.

    ``most`` is how many characters of it may be on one line, 0 for all.
    """
    link = _link(short_path.strip("/") or ".", backslashes(short_path), most)
    if long_path.upper() == short_path:
        return link
    text = backslashes(long_path)
    if not long_path.isascii():
        return f"{link}<BR>= {_broken(text, most)}"  # old browsers do not agree on such links
    return f"{link}<BR>= {_link(long_path.strip('/'), text, most)}"


def _link(path: str, text: str, most: int = 0) -> str:
    place = path if _NEEDS_NO_QUOTES.fullmatch(path) else _text(quote(path))
    return f'<A HREF="{place}">{_broken(text, most)}</A>'


def _broken(text: str, most: int = _MOST_OF_WORD) -> str:
    """Return text whose long words are broken, so that four columns fit in 640 pixels."""
    if not most:
        return _text(text)
    words = ([word[at : at + most] for at in range(0, len(word), most)] for word in text.split(" "))
    return " ".join(["<BR>".join([_text(part) for part in parts]) for parts in words])


def _text(text: str) -> str:
    """Return text for the page; what HTML 3.2 cannot name is written in plain letters."""
    if text.isascii() and text.isprintable():
        return text.translate(_REFERENCES)
    return "".join([_character(one) for one in unicodedata.normalize("NFC", text)])


def _character(character: str) -> str:
    code = ord(character)
    if 0xA0 <= code <= 0xFF:
        return f"&#{code};"  # HTML 3.2 takes ISO 8859-1, and its numbers
    plain = ascii_text(character)
    return "".join([_MARKUP.get(one, one) for one in plain])
