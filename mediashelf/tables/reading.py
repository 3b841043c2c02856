"""Reading a TOML file that a person wrote: one way for recipes, plans, targets and the like."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Callable, Collection
from pathlib import Path
from typing import TypeVar

from msgspec import Struct

from mediashelf.errors import InputError, MediashelfError
from mediashelf.tables.bounds import MAX_FILE_SIZE, detect_excess
from mediashelf.tables.table import Table

Meaning = TypeVar("Meaning")

_PLACE = r"(?s)(.*) \(at line (\d+), column (\d+)\)"


class TableKind(Struct, frozen=True):
    """A kind of file: what people call it, its keys at the top, and its class of error."""

    name: str  # "a recipe"
    keys: Collection[str]
    error: type[MediashelfError]


def read_tables(path: Path, kind: TableKind, understand: Callable[[Table], Meaning]) -> Meaning:
    """Return what ``understand`` makes of the file's tables.

    Raises :class:`InputError` when there is no regular file that can be read, and the
    kind's error, with the path before it, for what is wrong in the file.
    """
    try:
        if not path.is_file():
            problem = "is not a regular file" if path.exists() else "does not exist"
            raise InputError(f"{path}: {problem}; name {kind.name} (a TOML file)")
        with path.open("rb") as stream:
            data = stream.read(MAX_FILE_SIZE + 1)
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or error
        raise InputError(f"{path}: cannot be read: {reason}") from error
    try:
        return understand(parse_tables(data, kind))
    except kind.error as error:
        raise kind.error(f"{path}: {error}") from error


def parse_tables(data: bytes, kind: TableKind) -> Table:
    """Return the table that is the whole file; raises the kind's error."""
    if len(data) > MAX_FILE_SIZE:
        raise kind.error(f"is larger than {MAX_FILE_SIZE >> 10} KiB; is it {kind.name}?")
    try:
        # Editors of the time put a byte order mark first.
        text = data.decode("utf-8").removeprefix("\ufeff")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise kind.error(
            f"line {line}: byte {data[error.start]:#04x} at offset {error.start:,} is not UTF-8; "
            "save the file as UTF-8"
        ) from error
    excess = detect_excess(text.replace("\r\n", "\n"))
    if excess is not None:
        raise kind.error(f"{excess}; is it {kind.name}?")
    try:
        values = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise kind.error(_syntax(str(error), text)) from error
    for key, other in _TELLING.items():
        if key in values and key not in kind.keys:
            raise kind.error(f"has the key {key!r}, so it is {other}; name {kind.name} here")
    return Table(values, kind.keys, kind.error)


_TELLING = {
    "disc": "a session plan, for mediashelf plan show and mediashelf prepare",
    "folder": "a recipe, for mediashelf build",
    "based_on": "a target file, for --targets-folder",
    "limits": "a target file, for --targets-folder",
}
"""Keys that show which kind of file it is, where it was named in the place of another."""

_PLAIN_WORDS = {
    "Illegal character '\\n'": "the text is not closed by a quote in its line",
    "Illegal character '\\r'": "the text is not closed by a quote in its line",
    "Invalid value": "the value is missing, or is a text without plain quotes",
    "Cannot overwrite a value": "this key is there twice",
    "Unclosed array": "a list is not closed by ]",
    "Expected newline or end of document after a statement": "more than one value in this line",
}
"""What the parser of some messages means, for people who write no programs."""


def _syntax(message: str, text: str) -> str:
    """Return the parser's message with the line first, and the usual cure."""
    match = re.fullmatch(_PLACE, message)
    if match is None:
        words = message.partition(" (at ")[0]
        return f"is not TOML: {_PLAIN_WORDS.get(words, message)}"
    line = text.split("\n")[int(match[2]) - 1]
    hint = "; put texts with \\ between single quotes" if "\\" in line else ""
    words = _PLAIN_WORDS.get(match[1], match[1])
    return f"line {match[2]}, column {match[3]}: is not TOML: {words}{hint}"
