"""Files that were cut into pieces by size alone: ``PACK.7Z.001``, ``PACK.7Z.002`` and so on.

What cuts them so puts no header into a piece; the names alone tell their order (common practice).
Other files are numbered too, floppies of a set for one: what is whole alone is not joined, nor
are files that begin alike (own choice).
"""

from __future__ import annotations

import re
from contextlib import closing

from mediashelf.errors import InputError
from mediashelf.formats.fields import View
from mediashelf.formats.packed.fat import read_fat
from mediashelf.image import ClosableView
from mediashelf.trees.bytes import Spool
from mediashelf.trees.joined.parts import Beside, forget, name_in
from mediashelf.trees.wrappings import Wrapping, detect_wrapping, find_cut, why_closed

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
    kind = detect_wrapping(view)
    if kind is not None and _is_whole(view, kind):
        return view
    spool = None
    for number in range(2, MOST_PIECES + 1):
        name = f"{found[1]}{number:03}"
        piece = beside(name)
        if piece is None:
            break
        with closing(piece):
            if number == 2 and kind is not None and detect_wrapping(piece) is kind:
                forget(beside, name)
                return view
            spool = (spool or Spool().copy(view)).copy(piece)
    return spool or view


def _is_whole(view: View, kind: Wrapping) -> bool:
    """Tell whether a first piece has all that it says itself; of other kinds that is not known."""
    if kind is Wrapping.ZIP:
        from mediashelf.trees.attached import ends_as_zip  # few files are numbered

        return ends_as_zip(view)
    if kind is Wrapping.FLOPPY:
        volume = read_fat(view)
        return volume is not None and volume.is_whole
    has_length = kind in (Wrapping.SEVEN_ZIP, Wrapping.CABINET)
    return has_length and not (find_cut(view, kind) or why_closed(view, kind))


def cut_short(where: str, what: str) -> InputError:
    """Return the error for an archive that is shorter than it says, which pieces may be."""
    remedy = "; put all parts into one folder" if _FIRST.fullmatch(name_in(where)) else ""
    return InputError(f"{where}: {what}{remedy}")
