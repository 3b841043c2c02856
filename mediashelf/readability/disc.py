"""A disc as the rules look at it: its trees with names and directories taken apart once."""

from __future__ import annotations

from collections import defaultdict
from functools import cached_property
from itertools import compress, count, repeat
from operator import lt
from typing import NamedTuple

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


_NSR03_REVISION = "2.00"


class UdfRevision(NamedTuple):
    """A UDF revision that compares as text, and whether the disc itself gives it."""

    text: str
    is_recorded: bool

    @property
    def words(self) -> str:
        """What a message calls it."""
        guess = "" if self.is_recorded else " or newer, going by its NSR03 (from memory)"
        return f"UDF {self.text}{guess}"


class NameTree:
    """One naming tree; what several rules need of it is worked out once."""

    def __init__(self, volume: VolumeFacts) -> None:
        self.volume = volume
        self.kind = volume.kind
        self.entries = volume.entries
        self._sharing: dict[int, list[Entry]] = defaultdict(list)
        self.caps: dict[object, int] = {}
        """What rules have found in it, as :mod:`.rule_types` remembers it."""

    @cached_property
    def names(self) -> list[str]:
        """The last part of every entry's path, in the order of the entries."""
        return [path.rpartition("/")[2] for path in self._paths]

    @cached_property
    def _paths(self) -> list[str]:
        return [entry[0] for entry in self.entries]

    @cached_property
    def joined_names(self) -> str:
        """Every name with a ``/``, which is in none, after it: one text to search."""
        return "".join([f"{name}/" for name in self.names])

    @cached_property
    def stems(self) -> list[str]:
        """The names in capitals up to their first dot, without spaces at its end."""
        return [name.partition(".")[0].rstrip(" ").upper() for name in self.names]

    @cached_property
    def known_stems(self) -> frozenset[str]:
        """Each of the stems once: most discs have none that is a trap."""
        capitals = self.joined_names.upper().split("/")
        return frozenset([name.partition(".")[0].rstrip(" ") for name in capitals[:-1]])

    @cached_property
    def alphabet(self) -> frozenset[str]:
        """Every character that is in some name: most discs break few rules about characters."""
        return frozenset("".join(self.names))

    @cached_property
    def longest_name(self) -> int:
        """The length of the longest name in characters."""
        return max(map(len, self.names), default=0)

    @cached_property
    def deepest(self) -> int:
        """The number of parts of the longest path."""
        return max(map(str.count, self._paths, repeat("/")), default=0)

    @cached_property
    def longest_path(self) -> int:
        """The length of the longest path in characters."""
        return max(map(len, self._paths), default=0)

    @cached_property
    def has_equal_paths(self) -> bool:
        """Whether some path names more than one entry."""
        return len(set(self._paths)) < len(self.entries)

    @cached_property
    def has_paths_equal_but_for_case(self) -> bool:
        """Whether some paths differ in nothing but case, if in anything."""
        capitals = self.joined_names.upper()
        if capitals == self.joined_names:
            return self.has_equal_paths
        if capitals.isascii():
            return len(set(map(str.upper, self._paths))) < len(self.entries)
        return len(set(map(same_case, self._paths))) < len(self.entries)

    @cached_property
    def is_ascending(self) -> bool:
        """Whether records are surely in order: in each directory by name, then by extension.

        Zero sorts before every character of a name, as the end of a shorter one does.
        """
        if self.has_equal_paths or "\0" in self.alphabet:
            return False
        keys = [name.replace(".", "\0", 1) for name in self.names]
        descents = compress(count(1), map(lt, keys[1:], keys))
        entries = self.entries  # directory by directory
        return all(entries[number].parent != entries[number - 1].parent for number in descents)

    @cached_property
    def places(self) -> dict[int, Entry]:
        """A file for each block where contents start; one without any under NO_PLACE."""
        files = [entry for entry in self.entries if not entry[3]]
        numbers = list(map(content_place, files))
        places = dict(zip(numbers, files, strict=True))
        if len(places) < len(files):
            places.clear()
            for place, entry in zip(numbers, files, strict=True):
                if places.setdefault(place, entry) is not entry:
                    self._sharing[place].append(entry)
        return places

    @property
    def shared_places(self) -> frozenset[int]:
        """The blocks where the contents of several files start."""
        return frozenset(self._sharing) if self.places else frozenset()

    def files_at(self, place: int) -> list[Entry]:
        """Return every file whose contents start at this block."""
        first = self.places.get(place)
        return [] if first is None else [first, *self._sharing.get(place, ())]

    @cached_property
    def has_places(self) -> bool:
        """False when no file says where its contents are, so that trees can't be compared."""
        return any(place != NO_PLACE for place in self.places)


class JudgedDisc:
    """The facts of one disc with its trees; shared by all targets that judge it."""

    def __init__(self, facts: DiscFacts) -> None:
        self.facts = facts
        self._trees: dict[VolumeKind, NameTree] = {}

    def tree(self, kind: VolumeKind) -> NameTree | None:
        """Return the first tree of this kind whose contents were read, or None."""
        if kind not in self._trees:
            for volume in self.facts.volumes:
                if volume.kind is kind and volume.entries_read:
                    self._trees[kind] = NameTree(volume)
                    break
            else:
                return None
        return self._trees[kind]

    @cached_property
    def udf_revision(self) -> UdfRevision | None:
        """The revision of the disc's UDF volume, as far as it can be told."""
        udf = self.facts.volume(VolumeKind.UDF)
        if udf is None:
            return None
        if udf.udf_revision is not None:
            text = f"{udf.udf_revision >> 8:x}.{udf.udf_revision & 0xFF:02x}"
            return UdfRevision(text, is_recorded=True)
        if "NSR03" in udf.detail:
            return UdfRevision(_NSR03_REVISION, is_recorded=False)
        return None

    def seen_by(self, target: Target) -> NameTree | None:
        """Return the tree that ``target`` reads here, or None when it can be none that we read."""
        trees = (self.tree(kind) for kind in target.trees if not self.is_too_new(kind, target))
        return next((tree for tree in trees if tree is not None), None)

    def is_too_new(self, kind: VolumeKind, target: Target) -> bool:
        """Return whether this is UDF of a recorded revision that ``target`` does not read."""
        newest, revision = target.limits.get("udf_newest"), self.udf_revision
        if kind is not VolumeKind.UDF or newest is None or revision is None:
            return False
        return revision.is_recorded and revision.text > newest.text()


def content_place(entry: Entry) -> int:
    """Return the block where a file's contents start, NO_PLACE for a file without any.

    A small file that UDF embeds in its file entry has no block of its own, and
    so can't be told by it from its copy in another tree.
    """
    extents = entry[4]  # by number, as there can be 100,000 entries
    if not extents or not entry[2]:
        return NO_PLACE
    lba, _, offset = extents[0]
    return NO_PLACE if offset else lba


def same_case(name: str) -> str:
    """Return the form in which names that differ only in case are equal.

    Letters are mapped one to one, as old systems do: ``ß`` stays itself.
    """
    capitals = name.upper()
    if name.isascii() or len(capitals) == len(name):
        return capitals
    return "".join(
        capital if len(capital) == 1 else letter
        for letter, capital in ((letter, letter.upper()) for letter in name)
    )
