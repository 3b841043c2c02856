"""Terminals and pipes of any code page: what they cannot show is spelled out, never an error."""

from __future__ import annotations

import codecs
import io
import os
import sys
from contextlib import suppress
from typing import IO

SPELLED_OUT = "mediashelf-spelled-out"

# Marks of sentences and numbers; every other character becomes an escape that names it.
_PLAIN = {"…": "...", "–": "-", "—": "-", "−": "-", "×": "x", "·": "-", "’": "'"}


def prepare_streams() -> None:
    """Let standard output and error take any text, whatever their encoding is."""
    for stream in (sys.stdout, sys.stderr):
        # CPython sets the second for pipes in Windows and for everything in the C locale.
        if isinstance(stream, io.TextIOWrapper) and stream.errors in ("strict", "surrogateescape"):
            stream.reconfigure(errors=SPELLED_OUT)


def columns_of(stream: IO[str] | None) -> int:
    """Return the columns of a terminal, or what COLUMNS says; 80 where neither is known.

    As shutil tells it, which is large.
    """
    with suppress(ValueError):  # no number, or one that is too long for Python
        if (told := int(os.environ.get("COLUMNS", ""))) > 0:
            return told
    try:
        return os.get_terminal_size(stream.fileno()).columns or 80 if stream is not None else 80
    except (ValueError, OSError):  # closed, or no terminal
        return 80


def _spell_out(error: UnicodeError) -> tuple[str, int]:
    if not isinstance(error, UnicodeEncodeError):
        raise error
    text = error.object[error.start : error.end]
    return "".join(_PLAIN.get(one) or _escape(one) for one in text), error.end


def _escape(one: str) -> str:
    return one.encode("ascii", "backslashreplace").decode("ascii")


codecs.register_error(SPELLED_OUT, _spell_out)
