"""What is the same for archives of all kinds in several files: one part asks for the others."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import NoReturn

from mediashelf.errors import InputError
from mediashelf.image import ClosableView

Beside = Callable[[str], ClosableView | None]
"""Gives the bytes of the file of this name beside an archive, None where there is none."""

_NAME = re.compile(r"[^/\\:]*\Z")


class LaterPartError(InputError):
    """The archive is a part that is opened with the first.

    ``first`` is the name of the first, empty where that is not beside it.
    """

    def __init__(self, message: str, first: str) -> None:
        super().__init__(message)
        self.first = first


class Asked:
    """Gives files beside an archive, and keeps the names of those that were asked for."""

    def __init__(self, beside: Beside) -> None:
        self._beside = beside
        self.names: list[str] = []

    def __call__(self, name: str) -> ClosableView | None:
        found = self._beside(name)
        if found is not None:
            self.names.append(name.lower())
        return found


def forget(beside: Beside, name: str) -> None:
    """Say that a file which was asked for is not a part of the archive."""
    if isinstance(beside, Asked):
        beside.names.remove(name.lower())


def nothing_beside(name: str) -> None:
    """Say that there is no other file."""


def name_in(where: str) -> str:
    """Return the name of the file that a place ends with."""
    found = _NAME.search(where)
    return found[0] if found else where


def missing_part(where: str, what: str, number: int, name: str) -> InputError:
    """Return the error for a part that is not beside the first."""
    return InputError(
        f"{where}: is a {what} in several files, and part {number:,} "
        f"({name or 'of unknown name'}) is not beside it; put all parts into one folder"
    )


def refuse_later(where: str, what: str, part: str, first: str, beside: Beside) -> NoReturn:
    """Raise :class:`LaterPartError` for a part, such as ``part 2``, and say what to open."""
    other = beside(first) if first else None
    if other is not None:
        other.close()
    words = f"open {first}" if other else f"put {first or 'the first'} and all others beside it"
    raise LaterPartError(
        f"{where}: is {part} of a {what} in several files; {words}",
        first if other is not None else "",
    )
