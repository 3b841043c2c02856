"""A disc as the rules look at it: its trees with names and directories taken apart once."""

from __future__ import annotations

from collections import defaultdict
from functools import cached_property

from mediashelf.formats.volume import DiscFacts, Entry, VolumeFacts, VolumeKind
from mediashelf.readability.targets import Target

TREE_WORDS = {
    VolumeKind.ISO9660: "ISO 9660",
    VolumeKind.JOLIET: "Joliet",
    VolumeKind.ROCKRIDGE: "Rock Ridge",
    VolumeKind.UDF: "UDF",
}
"""What the kinds of trees are called on screen."""

NO_PLACE = -1
"""Stands for the block of a file that has no contents."""


class Tree:
    """One naming tree; what several rules need of it is worked out once."""

    def __init__(self, volume: VolumeFacts) -> None:
        self.volume = volume
        self.kind = volume.kind
        self.entries = volume.entries

    @cached_property
    def names(self) -> list[str]:
        """The last part of every entry's path, in the order of the entries."""
        return [entry.path.rpartition("/")[2] for entry in self.entries]

    @cached_property
    def stems(self) -> list[str]:
        """The names in capitals up to their first dot, without spaces at its end."""
        return [name.partition(".")[0].rstrip(" ").upper() for name in self.names]

    @cached_property
    def alphabet(self) -> frozenset[str]:
        """Every character that is in some name: most discs break few rules about characters."""
        return frozenset("".join(self.names))

    @cached_property
    def longest_path(self) -> int:
        """The length of the longest path in characters."""
        return max((len(entry.path) for entry in self.entries), default=0)

    @cached_property
    def places(self) -> dict[int, list[Entry]]:
        """Files by the block where their contents start; those without any under NO_PLACE."""
        places: dict[int, list[Entry]] = defaultdict(list)
        for entry in self.entries:
            if not entry.is_directory:
                places[content_place(entry)].append(entry)
        return places

    @cached_property
    def has_places(self) -> bool:
        """False when no file says where its contents are, so that trees can't be compared."""
        return any(place != NO_PLACE for place in self.places)


class Disc:
    """The facts of one disc with its trees; shared by all targets that judge it."""

    def __init__(self, facts: DiscFacts) -> None:
        self.facts = facts
        self._trees: dict[VolumeKind, Tree] = {}

    def tree(self, kind: VolumeKind) -> Tree | None:
        """Return the first tree of this kind whose contents were read, or None."""
        if kind not in self._trees:
            for volume in self.facts.volumes:
                if volume.kind is kind and volume.entries_read:
                    self._trees[kind] = Tree(volume)
                    break
            else:
                return None
        return self._trees[kind]

    def seen_by(self, target: Target) -> Tree | None:
        """Return the tree that ``target`` reads here, or None when it can be none that we read."""
        trees = (self.tree(kind) for kind in target.trees)
        return next((tree for tree in trees if tree is not None), None)


def content_place(entry: Entry) -> int:
    """Return the block where a file's contents start, NO_PLACE for a file without any."""
    return entry.extents[0].lba if entry.size and entry.extents else NO_PLACE


def same_case(name: str) -> str:
    """Return the form in which names that differ only in case are equal.

    Letters are mapped one to one, as old systems do: ``ß`` stays itself.
    """
    capitals = name.upper()
    if len(capitals) == len(name):
        return capitals
    return "".join(
        capital if len(capital) == 1 else letter
        for letter, capital in ((letter, letter.upper()) for letter in name)
    )
