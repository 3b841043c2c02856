"""RAR archives in several files: libarchive reads their bytes one after the other as one archive.

So the parts that are beside the first are put together into a spool.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator

from mediashelf.errors import InputError
from mediashelf.formats.fields import View
from mediashelf.formats.packed.rar_parts import (
    goes_on,
    part_name,
    part_number,
    read_rar_start,
)
from mediashelf.image import ClosableView
from mediashelf.trees.bytes import Spool
from mediashelf.trees.tree import CHUNK

Beside = Callable[[str], ClosableView | None]
"""Gives the bytes of the file of this name beside an archive, None where there is none."""

MOST_PARTS = 1_000
_NAME = re.compile(r"[^/\\:]*\Z")


class LaterPartError(InputError):
    """The archive is a part that is opened with the first; ``is_first_here`` tells whether."""

    def __init__(self, message: str, is_first_here: bool) -> None:
        super().__init__(message)
        self.is_first_here = is_first_here


def nothing_beside(name: str) -> None:
    """Say that there is no other file."""


def whole_rar(where: str, view: View, beside: Beside) -> View:
    """Return the bytes of the whole archive: ``view`` itself, or all parts in a spool.

    Raises :class:`LaterPartError` for a part that is not the first, and :class:`InputError`
    where a part is not there, or the list of files is encrypted.
    """
    start = read_rar_start(view)
    if start is None:
        return view
    if start.hides_names:
        raise InputError(f"{where}: the RAR archive cannot be read: its list of files is encrypted")
    if not start.is_part:
        return view
    found = _NAME.search(where)
    name = found[0] if found else where
    number = part_number(name)
    if not (number == 1 if start.is_first is None else start.is_first):
        _refuse_later(where, part_name(name, 1), number, beside)
    spool = Spool().extend(_pieces(view))
    part: View = view
    while goes_on(part):
        number += 1
        following = part_name(name, number)
        other = beside(following) if following and number <= MOST_PARTS else None
        if other is None:
            raise InputError(
                f"{where}: is a RAR archive in several files, and part {number:,} "
                f"({following or 'of unknown name'}) is not beside it; "
                "put all parts into one folder"
            )
        spool.extend(_pieces(other))
        part = other
    return spool


def _refuse_later(where: str, first: str, number: int, beside: Beside) -> None:
    other = beside(first) if first else None
    if other is not None:
        other.close()
    words = f"open {first}" if other else f"put {first or 'the first'} and all others beside it"
    raise LaterPartError(
        f"{where}: is part {number:,} of a RAR archive in several files; {words}",
        other is not None,
    )


def _pieces(view: View) -> Iterator[bytes]:
    for at in range(0, view.size, CHUNK):
        yield view.read(at, CHUNK)
