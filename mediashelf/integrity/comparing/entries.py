"""The files and folders of two trees, compared by path first and by bytes then.

Files of one path and one size are read side by side, in pieces, until they differ. Files that
only one tree has are looked for under another name in the other: those of equal size are
digested, and equal digests make a pair. Memory grows with the number of entries alone.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from contextlib import closing
from itertools import zip_longest

from mediashelf.errors import InputError
from mediashelf.integrity.comparing.pairing import folded_folder, pair_by_path, pair_equal
from mediashelf.integrity.comparing.values import Difference, EntryDifference, TreesCompared
from mediashelf.integrity.fixity.digests import Digester
from mediashelf.trees.members import TreeMember
from mediashelf.trees.tree import Tree

_FAT_SECONDS = 2  # dates on FAT count in steps of two seconds (FAT specification, directory entry)


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
    pairs, left, other_left = pair_by_path(one.members, other.members)
    differences: list[EntryDifference] = []
    same_files = same_size = other_dates = case_aside = 0
    for first, second in pairs:
        found = _compare_pair(one, other, first, second, are_bytes_equal, on_bytes)
        if found is None and first.path != second.path:
            if is_case_told:
                found = _renamed(first, second)
            else:
                case_aside += first.is_file
        if found is not None:
            differences.append(found)
        elif first.is_file:
            same_files += 1
            same_size += first.size
            other_dates += _has_other_date(first, second)
    moved, left, other_left = _find_moved(one, other, left, other_left, on_bytes)
    differences += moved
    differences += (_only(member, Difference.ONLY_IN_A) for member in _topmost(left))
    differences += (_only(member, Difference.ONLY_IN_B) for member in _topmost(other_left))
    return TreesCompared(tuple(differences), same_files, same_size, other_dates, case_aside)


def _compare_pair(
    one: Tree,
    other: Tree,
    first: TreeMember,
    second: TreeMember,
    are_bytes_equal: bool,
    on_bytes: Callable[[int], None],
) -> EntryDifference | None:
    if first.kind is not second.kind:
        reason = f"a {first.kind.value} in A, a {second.kind.value} in B"
        return _changed(first, second, reason=reason)
    if first.is_folder:
        return None
    reason = _unreadable(first, "A") or _unreadable(second, "B")
    if reason:
        return _pair(Difference.NOT_COMPARED, first, second, reason=reason)
    if first.size != second.size:
        on_bytes(first.size + second.size)
        return _changed(first, second)
    if are_bytes_equal:
        on_bytes(first.size + second.size)
        return None
    try:
        at = _first_difference(one, other, first, second, on_bytes)
    except InputError as error:
        return _pair(Difference.NOT_COMPARED, first, second, reason=str(error))
    return None if at is None else _changed(first, second, at=at)


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


def _find_moved(
    one: Tree,
    other: Tree,
    left: list[TreeMember],
    other_left: list[TreeMember],
    on_bytes: Callable[[int], None],
) -> tuple[list[EntryDifference], list[TreeMember], list[TreeMember]]:
    """Pair files that only one tree has by their bytes; and what is left without a pair."""
    sizes = _sizes(left) & _sizes(other_left)
    known = _by_digest(other, (each for each in other_left if each.size in sizes), on_bytes)
    digests = _by_digest(one, (each for each in left if each.size in sizes), on_bytes)
    found: list[EntryDifference] = []
    paired: set[int] = set()
    for digest, members in digests.items():
        for first, second in pair_equal(members, known.get(digest, [])):
            found.append(_renamed(first, second))
            paired |= {id(first), id(second)}
    order = {id(member): at for at, member in enumerate(left)}
    paths = {member.path: order[id(member)] for member in left}
    found.sort(key=lambda each: paths[each.path])
    return (
        found,
        [member for member in left if id(member) not in paired],
        [member for member in other_left if id(member) not in paired],
    )


def _sizes(members: Iterable[TreeMember]) -> set[int]:
    """Return the sizes of files; empty ones are equal and no evidence of anything."""
    return {each.size for each in members if each.is_file and each.size and each.unreadable is None}


def _by_digest(
    tree: Tree, members: Iterable[TreeMember], on_bytes: Callable[[int], None]
) -> dict[str, list[TreeMember]]:
    found: dict[str, list[TreeMember]] = {}
    for member in members:
        if not member.is_file or member.unreadable is not None:
            continue
        digester = Digester(("sha256",), block_size=0)
        try:
            for piece in tree.stream(member):
                digester.update(piece)
                on_bytes(len(piece))
        except InputError:
            continue  # it stays what it is: only in one
        found.setdefault(digester.finish().whole["sha256"], []).append(member)
    return found


def _topmost(members: list[TreeMember]) -> Iterator[TreeMember]:
    """Leave out folders that have files of the list in them: the files say it."""
    above = {
        member.parts[:level]
        for member in members
        if not member.is_folder
        for level in range(1, len(member.parts))
    }
    folders = {member.parts for member in members if member.is_folder}
    for member in members:
        if member.is_folder and (member.parts in above or member.parts[:-1] in folders - above):
            continue
        yield member


def _renamed(first: TreeMember, second: TreeMember) -> EntryDifference:
    is_here = folded_folder(first) == folded_folder(second)
    return _pair(Difference.RENAMED if is_here else Difference.MOVED, first, second)


def _changed(
    first: TreeMember, second: TreeMember, *, at: int | None = None, reason: str = ""
) -> EntryDifference:
    return _pair(Difference.CHANGED, first, second, at=at, reason=reason)


def _pair(
    kind: Difference,
    first: TreeMember,
    second: TreeMember,
    *,
    at: int | None = None,
    reason: str = "",
) -> EntryDifference:
    return EntryDifference(
        kind,
        first.path,
        second.path,
        first.size,
        second.size,
        first.is_folder and second.is_folder,
        at,
        reason,
    )


def _only(member: TreeMember, kind: Difference) -> EntryDifference:
    is_first = kind is Difference.ONLY_IN_A
    return EntryDifference(
        kind,
        member.path if is_first else "",
        "" if is_first else member.path,
        member.size if is_first else None,
        None if is_first else member.size,
        member.is_folder,
    )
