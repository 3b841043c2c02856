"""The members of a large tree as columns: each is made for whoever asks for it.

A million members take five times as much memory as their columns.
"""

from __future__ import annotations

from array import array
from collections.abc import Iterator

from mediashelf.sequences import MadeSequence
from mediashelf.trees.members import MemberKind, Parts, TreeMember, Unreadable

_KINDS = tuple(MemberKind)
_NUMBERS = {kind: number for number, kind in enumerate(_KINDS)}
_FOLDER = _NUMBERS[MemberKind.FOLDER]
_NO_DATE = -1 << 63


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
        return map(self.make, range(len(self.names)))

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
