"""The members of a large tree as columns: each is made for whoever asks for it.

A million members take five times as much memory as their columns.
"""

from __future__ import annotations

from array import array
from collections.abc import Callable, Iterable, Iterator
from itertools import repeat
from operator import add
from typing import Any

from mediashelf.sequences import MadeSequence
from mediashelf.trees.members import MemberKind, Parts, TreeMember, Unreadable

_KINDS = tuple(MemberKind)
_NUMBERS = {kind: number for number, kind in enumerate(_KINDS)}
_FOLDER = _NUMBERS[MemberKind.FOLDER]
_NO_DATE = -1 << 63
_new: Callable[..., Any] = tuple.__new__


class MemberColumns(MadeSequence[TreeMember]):
    """Members in the order in which they were added.

    ``folders`` are the paths that have members, and ``above`` has for each member the place of
    its own there; a path may come again. ``names`` and ``sizes`` are as in :class:`TreeMember`.
    """

    __slots__ = (
        "_handles",
        "_kinds",
        "_moments",
        "_unreadable",
        "above",
        "folders",
        "names",
        "sizes",
    )

    def __init__(self) -> None:
        self.folders: list[Parts] = []
        self.above = array("I")
        self.names: list[str] = []
        self.sizes = array("Q")
        self._kinds = bytearray()
        self._moments = array("q")
        self._unreadable: dict[int, Unreadable] = {}
        self._handles: dict[int, object] = {}  # of few: most are known by their path or number

    def enter(self, folder: Parts) -> None:
        """Say what the members that are added next are in."""
        if not self.folders or self.folders[-1] != folder:
            self.folders.append(folder)

    def add(
        self,
        name: str,
        size: int,
        modified: int | None,
        kind: MemberKind = MemberKind.FILE,
        unreadable: Unreadable | None = None,
        handle: object = None,
    ) -> None:
        """Add a member of the folder that was entered last."""
        place = len(self.names)
        self.above.append(len(self.folders) - 1)
        self.names.append(name)
        self.sizes.append(size)
        self._moments.append(_NO_DATE if modified is None else modified)
        self._kinds.append(_NUMBERS[kind])
        if unreadable is not None:
            self._unreadable[place] = unreadable
        if handle is not None:
            self._handles[place] = handle

    def __len__(self) -> int:
        return len(self.names)

    def __iter__(self) -> Iterator[TreeMember]:
        moments: Iterable[int | None] = self._moments
        if _NO_DATE in self._moments:
            moments = (None if one == _NO_DATE else one for one in self._moments)
        places, refusals = range(len(self.names)), self._unreadable
        columns = (
            map(add, map(self.folders.__getitem__, self.above), zip(self.names)),
            self.sizes,
            moments,
            map(_KINDS.__getitem__, self._kinds),
            map(refusals.get, places) if refusals else repeat(None),
            map(self.handle, places),
        )
        return map(_new, repeat(TreeMember), zip(*columns, strict=False))

    def make(self, place: int) -> TreeMember:
        modified = self._moments[place]
        return TreeMember(
            (*self.folders[self.above[place]], self.names[place]),
            self.sizes[place],
            None if modified == _NO_DATE else modified,
            _KINDS[self._kinds[place]],
            self._unreadable.get(place),
            self.handle(place),
        )

    def handle(self, place: int) -> object:
        """Return by what its tree knows a member."""
        return self._handles.get(place)

    def is_folder(self, place: int) -> bool:
        """Whether a member is a folder."""
        return self._kinds[place] == _FOLDER
