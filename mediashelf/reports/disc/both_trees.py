"""The tree that a page draws beside the ISO tree: flaws and renamed files, by numbers of entries.

A disc can have a million paths, and each can be in several findings: none of them is kept.
"""

from __future__ import annotations

import re
from array import array
from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Iterator
from functools import cached_property
from heapq import nsmallest
from itertools import accumulate, count
from operator import attrgetter

from mediashelf.findings import Finding
from mediashelf.formats.entries import iter_folders
from mediashelf.formats.pairing.tree_pairs import NO_PARTNER, pair_files
from mediashelf.formats.volume import DiscFacts, VolumeFacts, VolumeKind
from mediashelf.reports.disc.areas import best_volume
from mediashelf.reports.disc.tables import Renamed

_TREE = re.compile(r" \((?:joliet|rockridge|udf)\)$")  # how findings name the tree of a path
_PLACE = 32  # bits of an entry's number beside the hash of its path


class TreePaths:
    """The paths of a tree by the numbers of its entries, and the other way round."""

    def __init__(self, volume: VolumeFacts) -> None:
        self._folders = [(each.path, each.names) for each in iter_folders(volume.entries)]
        self._ends = list(accumulate(len(names) for _, names in self._folders))

    def __len__(self) -> int:
        return self._ends[-1] if self._ends else 0

    def parts(self, number: int) -> tuple[str, str]:
        """Return the path of an entry's folder, and its name."""
        at = bisect_right(self._ends, number)
        folder, names = self._folders[at]
        return folder, names[number - self._ends[at] + len(names)]

    def path(self, number: int) -> str:
        """Return the path of an entry."""
        return "/".join(self.parts(number))

    def find(self, path: str) -> Iterator[int]:
        """Yield the numbers of the entries of this path."""
        keys, key = self._by_path, _hash(path)
        for at in range(bisect_left(keys, key), len(keys)):
            if keys[at] >> _PLACE != key >> _PLACE:
                break
            number = keys[at] - key
            if self.path(number) == path:
                yield number

    @cached_property
    def _by_path(self) -> array[int]:
        """The hash of each path with the number of its entry."""
        every = (f"{folder}/{name}" for folder, names in self._folders for name in names)
        return array("q", sorted(_hash(path) | number for number, path in enumerate(every)))


def _hash(path: str) -> int:
    return (hash(path) & 0x7FFF_FFFF) << _PLACE


class BothTrees:
    """The tree with the fullest names, and the ISO tree where that is another one.

    ``long_paths`` are those of the entries of the ISO tree, where they are known.
    """

    def __init__(self, facts: DiscFacts, long_paths: Iterable[str] | None = None) -> None:
        self._long_paths = long_paths
        self.volume = best_volume(facts)
        iso = facts.volume(VolumeKind.ISO9660)
        self._iso = None if iso is self.volume else iso

    @cached_property
    def _long(self) -> TreePaths | None:
        return None if self.volume is None else TreePaths(self.volume)

    @cached_property
    def _short(self) -> TreePaths | None:
        return None if self._iso is None or self.volume is None else TreePaths(self._iso)

    @cached_property
    def _twins(self) -> array[int]:
        """The file of the drawn tree for each of the ISO tree, or :data:`NO_PARTNER`."""
        if self._iso is None or self.volume is None or self._long is None:
            return array("i")
        if self._long_paths is not None:
            found = (next(self._long.find(path), NO_PARTNER) for path in self._long_paths)
            return array("i", found)
        twins = array("i", [NO_PARTNER]) * len(self._iso.entries)
        for number, twin in pair_files(self._iso, self.volume).iter_numbers():
            twins[number] = twin
        return twins

    def severities(self, findings: Iterable[Finding]) -> bytes:
        """Return the worst finding about each entry of the drawn tree, 0 where there is none.

        Findings name paths of either tree; what is in both goes by the ISO tree.
        """
        if self._long is None:
            return b""
        worst = bytearray(len(self._long))
        for finding in findings:
            where, severity = finding.where, finding.severity
            path = _TREE.sub("", where) if where.endswith(")") else where
            for number in self._numbers(path, self._long):
                if worst[number] < severity:
                    worst[number] = severity
        return bytes(worst)

    def _numbers(self, path: str, long: TreePaths) -> Iterable[int]:
        shorts = self._short.find(path) if self._short is not None else ()
        twins = [self._twins[number] for number in shorts]
        return [twin for twin in twins if twin != NO_PARTNER] or long.find(path)

    def first_renamed(self, most: int) -> tuple[list[Renamed], int]:
        """Return the first files whose short name says something else, and how many they are.

        They are in the order of their long paths; letter case says nothing.
        """
        counter = count()
        counted = (renamed for renamed, _ in zip(self._iter_renamed(), counter, strict=False))
        return nsmallest(most, counted, key=attrgetter("long_path")), next(counter)

    def _iter_renamed(self) -> Iterator[Renamed]:
        short, long = self._short, self._long
        if short is None or long is None:
            return
        for number, twin in enumerate(self._twins):
            if twin != NO_PARTNER:
                above, name = short.parts(number)
                long_above, long_name = long.parts(twin)
                if name != long_name.upper():
                    yield Renamed(f"{above}/{name}", f"{long_above}/{long_name}")
