"""One line of an INF: its end, its comment, whether it goes on, and its key and values."""

from __future__ import annotations

import re
from collections.abc import Iterator
from io import IncrementalNewlineDecoder

_PLAIN_ENDS = IncrementalNewlineDecoder(None, translate=True)
_END_SLASH = re.compile(r"\\(?:[\s;]|\Z)")

# Every alternative starts with another character and the quantifiers give nothing
# back, so that a line costs time in proportion to its length, whatever it holds.
TOKEN = re.compile(r'"[^"]*+(?:""[^"]*+)*+"?|%[^%",=]*+%|[^",;=%]++|[",;=%]')


def plain_ends(text: str) -> str:
    """Return the text with one kind of line end and without NULs, up to the old end-of-text mark.

    That nothing after the mark is read is common practice.
    """
    if "\x1a" in text:
        text = text.partition("\x1a")[0]
    if "\0" in text:
        text = text.replace("\0", "")
    return _PLAIN_ENDS.decode(text, final=True)


def iter_dropped(text: str) -> Iterator[tuple[str, int, str]]:
    """Yield the rule, line and words of what :func:`plain_ends` leaves out of a text.

    Blanks and zeros at the end, as some editors leave them, are passed over.
    """
    if "\x1a" in text:
        text, _, rest = text.partition("\x1a")
        if lost := rest.strip("\0\x1a \t\r\n"):
            yield "text-after-end", text.count("\n") + 1, lost.partition("\n")[0].strip()[:80]
    if "\0" in text and (count := text.rstrip("\0").count("\0")):
        yield "zero-bytes", text[: text.index("\0")].count("\n") + 1, f"{count:,}"


def has_no_end_slash(text: str) -> bool:
    """Whether surely no line ends in a backslash, and goes on in the next one."""
    return "\\" not in text or not _END_SLASH.search(text)


def unquoted(line: str) -> tuple[str, bool]:
    """Return a line without quotes less its comment, and whether it continues."""
    if ";" in line:
        start = line.find(";")
        if "%" in line[:start]:
            start = _comment_start(line)
        line = line[:start].rstrip()
    return continued(line)


def continued(line: str) -> tuple[str, bool]:
    if not line.endswith("\\"):
        return line, False
    # Of two backslashes "the first is ignored, the second continues".
    return line.rstrip("\\") if line.endswith("\\\\") else line[:-1], True


def _comment_start(line: str) -> int:
    for match in TOKEN.finditer(line):
        if match[0] == ";":
            return match.start()
    return len(line)


def split_entry(content: str) -> tuple[str, list[str]]:
    """Return key and values of an entry with quotes."""
    key, has_key = "", False
    values: list[str] = []
    pieces: list[str] = []
    is_plain = False  # the last piece stood outside quotes, so its blanks may go
    for token in TOKEN.findall(content):
        if token == "," or (token == "=" and not has_key and not values):
            if is_plain:
                pieces[-1] = pieces[-1].rstrip()
            if token == ",":
                values.append("".join(pieces))
            else:
                key, has_key = "".join(pieces), True
            pieces, is_plain = [], False
        elif token[0] == '"':
            pieces.append(token[1:-1].replace('""', '"'))
            is_plain = False
        else:
            pieces.append(token if pieces else token.lstrip())
            is_plain = True
    if is_plain:
        pieces[-1] = pieces[-1].rstrip()
    values.append("".join(pieces))
    return key, values
