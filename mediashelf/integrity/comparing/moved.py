"""Files that only one of two trees has under their path, and that the other has under another."""

from __future__ import annotations

from array import array
from collections import defaultdict
from collections.abc import Callable, Iterable, Sequence

from mediashelf.errors import InputError
from mediashelf.integrity.comparing.pairing import ALONE, Side, pair_equal
from mediashelf.integrity.fixity.digests import Digester
from mediashelf.trees.tree import Tree

_DIGEST_SIZE = 32


class _Digested:
    """The numbers of files by their digests, in some hundred parts.

    A part is taken apart when it is asked for: a value for each of a million digests would take
    five times as much memory as their bytes.
    """

    def __init__(self) -> None:
        self._parts: defaultdict[int, tuple[bytearray, array[int]]] = defaultdict(
            lambda: (bytearray(), array("i"))
        )

    def add(self, digest: bytes, number: int) -> None:
        digests, numbers = self._parts[digest[0]]
        digests += digest
        numbers.append(number)

    def parts_shared_with(self, other: _Digested) -> list[int]:
        return [part for part in self._parts if part in other._parts]

    def in_part(self, part: int) -> dict[bytes, array[int]]:
        """Return the files of a part by their digests, in the order in which they were added."""
        digests, numbers = self._parts[part]
        found: dict[bytes, array[int]] = {}
        for at, number in enumerate(numbers):
            digest = bytes(digests[at * _DIGEST_SIZE : (at + 1) * _DIGEST_SIZE])
            found.setdefault(digest, array("i")).append(number)
        return found


def find_moved(
    one: Tree,
    other: Tree,
    sides: tuple[Side, Side],
    left: Sequence[int],
    other_left: Sequence[int],
    on_bytes: Callable[[int], None],
) -> array[int]:
    """Pair files that only one tree has by their bytes: return the partner of each of the first.

    ``left`` and ``other_left`` are the numbers of what has no partner by its path.
    """
    partners = array("i", [ALONE]) * len(sides[0])
    sizes = _sizes(sides[0], left) & _sizes(sides[1], other_left)
    known = _digested(other, sides[1], other_left, sizes, on_bytes)
    found = _digested(one, sides[0], left, sizes, on_bytes)
    for part in found.parts_shared_with(known):
        others = known.in_part(part)
        for digest, numbers in found.in_part(part).items():
            for number, partner in pair_equal(*sides, numbers, others.get(digest, ())):
                partners[number] = partner
    return partners


def _sizes(side: Side, numbers: Iterable[int]) -> set[int]:
    """Return the sizes of files; empty ones are equal and no evidence of anything."""
    members = map(side.make, numbers)
    return {one.size for one in members if one.is_file and one.size and one.unreadable is None}


def _digested(
    tree: Tree,
    side: Side,
    numbers: Iterable[int],
    sizes: set[int],
    on_bytes: Callable[[int], None],
) -> _Digested:
    found = _Digested()
    for number in numbers if sizes else ():
        member = side.make(number)
        if member.size not in sizes or not member.is_file or member.unreadable is not None:
            continue
        digester = Digester(("sha256",), block_size=0)
        try:
            for piece in tree.stream(member):
                digester.update(piece)
                on_bytes(len(piece))
        except InputError:
            continue  # it stays what it is: only in one
        found.add(bytes.fromhex(digester.finish().whole["sha256"]), number)
    return found
