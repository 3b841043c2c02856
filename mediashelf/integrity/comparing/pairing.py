"""Which entries of two trees belong together: by their paths, and of equal files by their names."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Sequence
from itertools import chain

from mediashelf.trees.members import MemberKind, Parts, TreeMember

Pair = tuple[TreeMember, TreeMember]
_Key = Callable[[TreeMember], object]


def pair_by_path(
    members: Iterable[TreeMember], others: Iterable[TreeMember]
) -> tuple[list[Pair], list[TreeMember], list[TreeMember]]:
    """Pair entries of one path, then those that differ in letter case alone; and the rest."""
    return _pair_by((_exact, _folded), _with_folders(members), _with_folders(others))


def pair_equal(members: Iterable[TreeMember], others: Iterable[TreeMember]) -> list[Pair]:
    """Pair files with equal bytes: of equal names first, then of one folder, then in order."""
    return _pair_by((_folded_name, folded_folder, _anything), members, others)[0]


def _pair_by(
    keys: Sequence[_Key], members: Iterable[TreeMember], others: Iterable[TreeMember]
) -> tuple[list[Pair], list[TreeMember], list[TreeMember]]:
    """Pair what is equal by the first key, then of the rest by the next; and what is left."""
    pairs: list[Pair] = []
    left, other_left = list(members), list(others)
    for key in keys:
        waiting: dict[object, TreeMember] = {}  # without a list for each: there can be a million
        more: defaultdict[object, list[TreeMember]] = defaultdict(list)
        for member in reversed(other_left):
            word = key(member)
            if word in waiting:
                more[word].append(waiting[word])
            waiting[word] = member
        rest = []
        for member in left:
            word = key(member)
            found = waiting.pop(word, None)
            if found is None:
                rest.append(member)
                continue
            pairs.append((member, found))
            if more.get(word):
                waiting[word] = more[word].pop()
        left = rest
        alone = {id(member) for member in chain(waiting.values(), *more.values())}
        other_left = [member for member in other_left if id(member) in alone]
    return pairs, left, other_left


def _exact(member: TreeMember) -> Parts:
    return member.parts


def _folded(member: TreeMember) -> Parts:
    return tuple(part.casefold() for part in member.parts)


def _with_folders(members: Iterable[TreeMember]) -> Iterator[TreeMember]:
    """Yield members, and each folder that only paths name before what is in it."""
    seen: set[Parts] = set()
    listed = {member.parts for member in members if member.is_folder}
    for member in members:
        for level in range(1, len(member.parts)):
            above = member.parts[:level]
            if above not in seen and above not in listed:
                yield TreeMember(above, 0, None, MemberKind.FOLDER)
            seen.add(above)
        yield member


def _folded_name(member: TreeMember) -> str:
    return member.name.casefold()


def folded_folder(member: TreeMember) -> Parts:
    return _folded(member)[:-1]


def _anything(member: TreeMember) -> None:
    return None
