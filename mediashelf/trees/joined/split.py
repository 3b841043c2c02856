"""Files that were cut into pieces by size alone: ``PACK.7Z.001``, ``PACK.7Z.002`` and so on.

What cuts them so puts no header into a piece; the names alone tell their order (common practice).
"""

from __future__ import annotations

import re
from contextlib import closing

from mediashelf.errors import InputError
from mediashelf.image import ClosableView
from mediashelf.trees.bytes import Spool
from mediashelf.trees.joined.parts import Beside, name_in

MOST_PIECES = 999
_FIRST = re.compile(r"(.+\.)001")


def is_first_piece(name: str) -> bool:
    """Tell whether the file may go on in others, by its name."""
    return _FIRST.fullmatch(name) is not None


def whole_file(where: str, view: ClosableView, beside: Beside) -> ClosableView:
    """Return the bytes of all pieces beside the first, or ``view`` where there is no other."""
    found = _FIRST.fullmatch(name_in(where))
    if found is None:
        return view
    spool = None
    for number in range(2, MOST_PIECES + 1):
        piece = beside(f"{found[1]}{number:03}")
        if piece is None:
            break
        with closing(piece):
            spool = (spool or Spool().copy(view)).copy(piece)
    return spool or view


def cut_short(where: str, what: str) -> InputError:
    """Return the error for an archive that is shorter than it says, which pieces may be."""
    remedy = "; put all parts into one folder" if _FIRST.fullmatch(name_in(where)) else ""
    return InputError(f"{where}: {what}{remedy}")
