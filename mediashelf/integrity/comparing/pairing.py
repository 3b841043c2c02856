"""Which entries of two trees belong together: by their paths, and of equal files by their names.

Entries are numbers here: a million of them as values would take more memory than there is to be.
"""

from __future__ import annotations

from array import array
from collections import defaultdict
from collections.abc import Callable, Hashable, Iterable, Iterator, Sequence

from mediashelf.sequences import MadeSequence
from mediashelf.trees.columns import MemberColumns
from mediashelf.trees.members import MemberKind, Parts, TreeMember

ALONE = -1
"""Stands for the number of an entry that has no partner."""
_Key = Callable[[int], Hashable]


class Side(MadeSequence[TreeMember]):
    """The members of a tree, and each folder that only paths name before what is in it.

    ``folders``, ``above`` and ``names`` are those of :class:`MemberColumns`.
    """

    __slots__ = ("_member", "_places", "above", "folders", "names")

    def __init__(self, members: Sequence[TreeMember]) -> None:
        columns = members if isinstance(members, MemberColumns) else _columns(members)
        get: Callable[[int], TreeMember] = members.__getitem__
        self._member = members.make if isinstance(members, MemberColumns) else get
        self._places: Sequence[int | Parts] | None = None
        self.folders: Sequence[Parts] = columns.folders
        self.above: Sequence[int] = columns.above
        self.names: Sequence[str] = columns.names
        if _missing_folders(columns):
            self._add_folders(columns)

    def _add_folders(self, columns: MemberColumns) -> None:
        """Have what is listed as in the order of the members, and no folder named twice."""
        places: list[int | Parts] = []
        whole = MemberColumns()
        missing = _missing_folders(columns)
        for place, (above, name) in enumerate(zip(columns.above, columns.names, strict=True)):
            parts = columns.folders[above]
            for level in range(1, len(parts) + 1) if missing else ():
                folder = parts[:level]
                if folder in missing:
                    missing.discard(folder)
                    places.append(folder)
                    whole.enter(folder[:-1])
                    whole.add(folder[-1], 0, None)
            places.append(place)
            whole.enter(parts)
            whole.add(name, 0, None)
        self._places = places
        self.folders, self.above, self.names = whole.folders, whole.above, whole.names

    def __len__(self) -> int:
        return len(self.names)

    def make(self, place: int) -> TreeMember:
        if self._places is None:
            return self._member(place)
        known = self._places[place]
        if isinstance(known, int):
            return self._member(known)
        return TreeMember(known, 0, None, MemberKind.FOLDER)

    def parts(self, number: int) -> Parts:
        """Return the names of an entry's path."""
        return (*self.folders[self.above[number]], self.names[number])

    def folder(self, number: int) -> Parts:
        """Return the path of the folder that an entry is in."""
        return self.folders[self.above[number]]


def _columns(members: Sequence[TreeMember]) -> MemberColumns:
    columns = MemberColumns()
    for member in members:
        columns.enter(member.parts[:-1])
        columns.add(member.name, 0, None, member.kind)
    return columns


def _missing_folders(columns: MemberColumns) -> set[Parts]:
    """Return the folders that only paths name."""
    named = {parts[:level] for parts in columns.folders for level in range(1, len(parts) + 1)}
    for place in range(len(columns)) if named else ():
        if columns.is_folder(place):
            named.discard((*columns.folders[columns.above[place]], columns.names[place]))
    return named


class Paired:
    """The entries of two sides that belong together by their paths, and those that are left.

    ``left`` and ``other_left`` are the numbers of those, in order.
    """

    def __init__(self, one: Side, other: Side) -> None:
        self._exact, left, other_left = _pair_round(
            one, other, range(len(one)), range(len(other)), _as_it_is
        )
        self._folded, self.left, self.other_left = _pair_round(
            one, other, left, other_left, str.casefold
        )

    def __iter__(self) -> Iterator[tuple[int, int]]:
        """Yield pairs of one path, then those that differ in letter case alone."""
        for partners in (self._exact, self._folded):
            for number, partner in enumerate(partners):
                if partner != ALONE:
                    yield number, partner


def _pair_round(
    one: Side,
    other: Side,
    left: Sequence[int],
    other_left: Sequence[int],
    form: Callable[[str], str],
) -> tuple[array[int], Sequence[int], Sequence[int]]:
    """Pair entries by their paths in this form, folder by folder; and what is left."""
    if not (left and other_left):
        return array("i"), left, other_left
    partners = array("i", [ALONE]) * len(one)
    is_paired = bytearray(len(other))
    groups = _by_folder(other, other_left, form)
    for folder, numbers in _by_folder(one, left, form).items():
        beside = groups.get(folder)
        if beside is None:
            continue
        for number, partner in _pair(
            numbers, beside, lambda at: form(one.names[at]), lambda at: form(other.names[at])
        ):
            partners[number] = partner
            is_paired[partner] = 1
    return (
        partners,
        array("i", [number for number in left if partners[number] == ALONE]),
        array("i", [number for number in other_left if not is_paired[number]]),
    )


def _by_folder(
    side: Side, numbers: Sequence[int], form: Callable[[str], str]
) -> dict[Parts, Sequence[int]]:
    keys = [tuple(map(form, folder)) for folder in side.folders]
    found: dict[Parts, array[int]] = {}
    for number in numbers:
        key = keys[side.above[number]]
        if key not in found:
            found[key] = array("i")
        found[key].append(number)
    return dict(found)


def _pair(
    numbers: Iterable[int], others: Sequence[int], key: _Key, other_key: _Key
) -> Iterator[tuple[int, int]]:
    """Yield what is equal by its key: of equal ones the first with the first."""
    waiting: dict[Hashable, int] = {}  # without a list for each: there can be a million
    more: defaultdict[Hashable, list[int]] = defaultdict(list)
    for number in reversed(others):
        word = other_key(number)
        if word in waiting:
            more[word].append(waiting[word])
        waiting[word] = number
    for number in numbers:
        word = key(number)
        found = waiting.pop(word, None)
        if found is not None:
            yield number, found
            if more.get(word):
                waiting[word] = more[word].pop()


def pair_equal(
    one: Side, other: Side, numbers: Sequence[int], others: Sequence[int]
) -> Iterator[tuple[int, int]]:
    """Pair files with equal bytes: of equal names first, then of one folder, then in order."""
    for form in (_folded_name, folded_folder, _anything):
        if not (numbers and others):
            return
        pairs = list(
            _pair(numbers, others, lambda at: form(one, at), lambda at: form(other, at))  # noqa: B023
        )
        yield from pairs
        paired, other_paired = {first for first, _ in pairs}, {second for _, second in pairs}
        numbers = [number for number in numbers if number not in paired]
        others = [number for number in others if number not in other_paired]


def _as_it_is(name: str) -> str:
    return name


def _folded_name(side: Side, number: int) -> Hashable:
    return side.names[number].casefold()


def folded_folder(side: Side, number: int) -> Hashable:
    """Return the folder of an entry without its letter case."""
    return tuple(part.casefold() for part in side.folder(number))


def _anything(side: Side, number: int) -> Hashable:
    return None
