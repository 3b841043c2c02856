"""The text of a cue sheet, and its words, numbers and times, each with its line and column."""

from __future__ import annotations

import re
from typing import NamedTuple, NoReturn

from mediashelf.errors import FormatError
from mediashelf.formats.raw.sectors import FRAMES_PER_SECOND

LONGEST_SHEET = 1 << 20
"""More bytes than any sheet has: 99 tracks with all indexes and texts fill a tenth of it."""

_BYTE_ORDER_MARKS = {
    b"\xef\xbb\xbf": "utf-8-sig",
    b"\xff\xfe": "utf-16",
    b"\xfe\xff": "utf-16",
}


_LAST_NUMBER = 99  # of tracks and of indexes: two digits

_WORD = re.compile(r'[ \t]*(?:"([^"]*)"(?=[ \t]|$)|([^ \t"][^ \t]*))')
_TIME = re.compile(r"(\d\d?):(\d\d?):(\d\d?)", re.ASCII)
_NUMBER = re.compile(r"\d\d?", re.ASCII)


def decode_cue(data: bytes) -> str:
    """Return a sheet's text: by its byte order mark, else UTF-8 where that fits, else Latin-1.

    Raises :class:`FormatError` where the mark's encoding does not fit the bytes, or
    the sheet is longer than :data:`LONGEST_SHEET`.
    """
    if len(data) > LONGEST_SHEET:
        raise FormatError(
            "sheet's size", at=LONGEST_SHEET, found=len(data), expected=f"{LONGEST_SHEET} at most"
        )
    for mark, encoding in _BYTE_ORDER_MARKS.items():
        if data.startswith(mark):
            try:
                return data.decode(encoding)
            except UnicodeDecodeError as error:
                raise FormatError(
                    "text", at=error.start, found=data[error.start : error.end], expected=encoding
                ) from error
    try:
        return data.decode("utf-8")
    except UnicodeDecodeError:
        return data.decode("latin-1")


class Word(NamedTuple):
    """One word of a sheet, without its quotes; line and column count from 1."""

    text: str
    line: int
    column: int


def refuse(what: str, word: Word, expected: str) -> NoReturn:
    """Raise the :class:`FormatError` that ``word`` is not what a sheet may say there."""
    place = f"line {word.line}, column {word.column}"
    raise FormatError(what, at=place, found=word.text, expected=expected)


def parse_words(line: str, number: int) -> list[Word]:
    """Return the words of a line; spaces and tabs separate, double quotes hold together."""
    words: list[Word] = []
    position, end = 0, len(line.rstrip(" \t"))
    while position < end:
        match = _WORD.match(line, position)
        if match is None:
            column = line.index('"', position) + 1
            rest = Word(line[column - 1 : end], number, column)
            refuse("quoted text", rest, "a closing quote before a space or the line's end")
        group = 1 if match.group(2) is None else 2
        column = match.start(group) + (group == 2)
        words.append(Word(match.group(group), number, column))
        position = match.end()
    return words


def join_name(words: list[Word], line: str) -> list[Word]:
    """Return the words of a FILE line; a name with blanks may lack its quotes (common practice)."""
    if len(words) <= 3 or '"' in line:
        return words
    command, name, kind = words[0], words[1], words[-1]
    text = line[name.column - 1 : kind.column - 1].rstrip(" \t")
    return [command, name._replace(text=text), kind]


def parse_two_digits(word: Word, what: str, least: int) -> int:
    """Return a number of one or two digits that is not below ``least``."""
    if not _NUMBER.fullmatch(word.text) or int(word.text) < least:
        refuse(what, word, f"a number from {least:02} to {_LAST_NUMBER}")
    return int(word.text)


def parse_time(word: Word) -> int:
    """Return a time as a count of frames; leading zeros may be missing (common practice)."""
    match = _TIME.fullmatch(word.text)
    if match is None:
        refuse("time", word, "MM:SS:FF, at most two digits each")
    minutes, seconds, frames = (int(part) for part in match.groups())
    if seconds >= 60 or frames >= FRAMES_PER_SECOND:
        refuse("time", word, "seconds up to 59 and frames up to 74")
    return (minutes * 60 + seconds) * FRAMES_PER_SECOND + frames


def frames_text(frames: int) -> str:
    """Return a time as sheets write it: ``02:15:74``."""
    seconds, frame = divmod(frames, FRAMES_PER_SECOND)
    return f"{seconds // 60:02}:{seconds % 60:02}:{frame:02}"
