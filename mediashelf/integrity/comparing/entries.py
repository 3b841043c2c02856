"""The files and folders of two trees, compared by path first and by bytes then.

Files of one path and one size are read side by side, in pieces, until they differ. Files that
only one tree has are looked for under another name in the other: those of equal size are
digested, and equal digests make a pair. Of an entry little more than its name is in memory.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import closing
from itertools import zip_longest

from mediashelf.errors import InputError
from mediashelf.integrity.comparing.differences import Difference, Differences
from mediashelf.integrity.comparing.moved import find_moved
from mediashelf.integrity.comparing.pairing import ALONE, Paired, Side, folded_folder
from mediashelf.integrity.comparing.values import TreesCompared
from mediashelf.trees.members import Parts, TreeMember
from mediashelf.trees.tree import Tree

_FAT_SECONDS = 2  # dates on FAT count in steps of two seconds (FAT specification, directory entry)
_Found = tuple[Difference, int | None, str]  # the first byte that differs, or a reason


def compare_trees(
    one: Tree,
    other: Tree,
    *,
    is_case_told: bool = True,
    are_bytes_equal: bool = False,
    on_bytes: Callable[[int], None] = lambda count: None,
) -> TreesCompared:
    """Compare all entries of two trees.

    Without ``is_case_told`` names that differ in letter case alone are the same.
    ``are_bytes_equal`` says that the discs are known to hold equal bytes, so that files of
    one path need not be read. Raises :class:`InputError` where a tree changes meanwhile.
    """
    sides = Side(one.members), Side(other.members)
    paired = Paired(*sides)
    differences = Differences(*sides)
    same_files = same_size = other_dates = case_aside = 0
    for number, partner in paired:
        first, second = sides[0].make(number), sides[1].make(partner)
        found = _compare_pair(one, other, first, second, are_bytes_equal, on_bytes)
        if found is not None:
            kind, at, reason = found
            differences.add(kind, number, partner, at=at, reason=reason)
            continue
        if first.parts != second.parts:
            if is_case_told:
                differences.add(_renamed(sides, number, partner), number, partner)
                continue
            case_aside += first.is_file
        if first.is_file:
            same_files += 1
            same_size += first.size
            other_dates += _has_other_date(first, second)
    left, other_left = paired.left, paired.other_left
    partners = find_moved(one, other, sides, left, other_left, on_bytes)
    for number, partner in enumerate(partners):
        if partner != ALONE:
            differences.add(_renamed(sides, number, partner), number, partner)
    for number in _topmost(sides[0], [at for at in left if partners[at] == ALONE]):
        differences.add(Difference.ONLY_IN_A, number)
    moved = bytearray(len(sides[1]))
    for partner in partners:
        if partner != ALONE:
            moved[partner] = 1
    for number in _topmost(sides[1], [at for at in other_left if not moved[at]]):
        differences.add(Difference.ONLY_IN_B, other_number=number)
    return TreesCompared(differences, same_files, same_size, other_dates, case_aside)


def _compare_pair(
    one: Tree,
    other: Tree,
    first: TreeMember,
    second: TreeMember,
    are_bytes_equal: bool,
    on_bytes: Callable[[int], None],
) -> _Found | None:
    if first.kind is not second.kind:
        reason = f"a {first.kind.value} in A, a {second.kind.value} in B"
        return Difference.CHANGED, None, reason
    if first.is_folder:
        return None
    reason = _unreadable(first, "A") or _unreadable(second, "B")
    if reason:
        return Difference.NOT_COMPARED, None, reason
    if first.size != second.size:
        on_bytes(first.size + second.size)
        return Difference.CHANGED, None, ""
    if are_bytes_equal:
        on_bytes(first.size + second.size)
        return None
    try:
        at = _first_difference(one, other, first, second, on_bytes)
    except InputError as error:
        return Difference.NOT_COMPARED, None, str(error)
    return None if at is None else (Difference.CHANGED, at, "")


def _unreadable(member: TreeMember, side: str) -> str:
    if member.unreadable is not None:
        return f"in {side}: {member.unreadable.reason}"
    return "" if member.is_file else f"it is a {member.kind.value}"


def _first_difference(
    one: Tree,
    other: Tree,
    first: TreeMember,
    second: TreeMember,
    on_bytes: Callable[[int], None],
) -> int | None:
    """Return the first byte in which two files of one size differ."""
    at = 0
    with closing(one.stream(first)) as pieces, closing(other.stream(second)) as others:
        # Both come in even pieces.
        for piece, beside in zip_longest(pieces, others, fillvalue=b""):
            on_bytes(len(piece) + len(beside))
            if piece != beside:
                return at + first_unequal(piece, beside)
            at += len(piece)
    return None


def first_unequal(piece: bytes, other: bytes) -> int:
    """Return the first place at which two pieces of bytes differ."""
    low, high = 0, min(len(piece), len(other))
    while low < high:
        middle = (low + high + 1) // 2
        if piece[low:middle] == other[low:middle]:
            low = middle
        else:
            high = middle - 1
    return low


def _has_other_date(first: TreeMember, second: TreeMember) -> bool:
    if first.modified is None or second.modified is None:
        return False
    return abs(first.modified - second.modified) > _FAT_SECONDS


def _topmost(side: Side, left: Sequence[int]) -> Iterator[int]:
    """Leave out folders that have files of the list in them: the files say it."""
    above: set[Parts] = set()
    folders: set[Parts] = set()
    for number in left:
        if side.make(number).is_folder:
            folders.add(side.parts(number))
        elif (folder := side.folder(number)) not in above:
            above.update(folder[:level] for level in range(1, len(folder) + 1))
    alone = folders - above
    for number in left:
        parts = side.parts(number)
        # A file may have the path of a folder, where one is recorded twice.
        is_folder = parts in folders and side.make(number).is_folder
        if not (is_folder and (parts in above or parts[:-1] in alone)):
            yield number


def _renamed(sides: tuple[Side, Side], number: int, partner: int) -> Difference:
    is_here = folded_folder(sides[0], number) == folded_folder(sides[1], partner)
    return Difference.RENAMED if is_here else Difference.MOVED
