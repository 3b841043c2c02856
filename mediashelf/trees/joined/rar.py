"""RAR archives in several files: libarchive reads their bytes one after the other as one archive.

So the parts that are beside the first are put together into a spool.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import closing

from mediashelf.errors import InputError
from mediashelf.formats.fields import View
from mediashelf.formats.packed.rar_parts import (
    goes_on,
    part_name,
    part_number,
    read_rar_start,
)
from mediashelf.trees.bytes import Spool
from mediashelf.trees.joined.parts import Beside, missing_part, name_in, refuse_later
from mediashelf.trees.tree import CHUNK

MOST_PARTS = 1_000
_WHAT = "RAR archive"


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
    name = name_in(where)
    number = part_number(name)
    if not (number == 1 if start.is_first is None else start.is_first):
        refuse_later(where, _WHAT, f"part {number:,}", part_name(name, 1), beside)
    spool = Spool().extend(_pieces(view))
    is_last = not goes_on(view)
    while not is_last:
        number += 1
        following = part_name(name, number)
        part = beside(following) if following and number <= MOST_PARTS else None
        if part is None:
            raise missing_part(where, _WHAT, number, following)
        with closing(part):
            spool.extend(_pieces(part))
            is_last = not goes_on(part)
    return spool


def _pieces(view: View) -> Iterator[bytes]:
    for at in range(0, view.size, CHUNK):
        yield view.read(at, CHUNK)
