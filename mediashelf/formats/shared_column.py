"""A column of a folder's entries that is worked out once for the trees that share it."""

from __future__ import annotations

from collections.abc import Callable
from typing import Generic, TypeVar

from mediashelf.formats.entries import Folder

_Value = TypeVar("_Value")
_MOST_SHARED = 200_000


class SharedColumn(Generic[_Value]):
    """A column that is worked out of all columns but the names: once for trees that share them.

    Most discs have the same files in the same order in two or three trees.
    """

    def __init__(self, make: Callable[[Folder], list[_Value]]) -> None:
        self._make = make
        self._known: dict[bytes, tuple[tuple[object, ...], list[_Value]]] = {}
        self._left = _MOST_SHARED

    def of(self, folder: Folder) -> list[_Value]:
        """Return the column of a folder."""
        if not folder.lbas:
            return self._make(folder)
        basis = folder.sizes, folder.dates, folder.flags, folder.are_folders
        lbas = folder.packed_lbas
        known = self._known.get(lbas)
        if known is not None and known[0] == basis:
            return known[1]
        column = self._make(folder)
        self._left -= len(column)
        if self._left >= 0:
            self._known[lbas] = basis, column
        return column
