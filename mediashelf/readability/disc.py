"""A disc as the rules look at it: its parts, its trees, and which files a tree lacks."""

from __future__ import annotations

from enum import Enum
from typing import Any, NamedTuple

from mediashelf.formats.pairing.places import NO_PLACE
from mediashelf.formats.pairing.tree_differences import Lacking, find_lacking
from mediashelf.formats.volume import DiscFacts, VolumeKind
from mediashelf.readability.name_tree import NameTree, cached_property
from mediashelf.readability.targets import Target

TREE_WORDS = {
    VolumeKind.ISO9660: "ISO 9660",
    VolumeKind.JOLIET: "Joliet",
    VolumeKind.ROCKRIDGE: "Rock Ridge",
    VolumeKind.UDF: "UDF",
}
"""What the kinds of trees are called on screen."""

COMPARED = (VolumeKind.ISO9660, VolumeKind.JOLIET, VolumeKind.UDF)
"""Kinds of trees that are to have the same files."""

_NSR03_REVISION = "2.00"


class DiscPart(Enum):
    """What some discs have, and most rules are not about."""

    UDF = "UDF"
    ROCKRIDGE = "Rock Ridge"
    BOOT = "boot catalog"


class UdfRevision(NamedTuple):
    """A UDF revision that compares as text, and whether the disc itself gives it."""

    text: str
    is_recorded: bool

    @property
    def words(self) -> str:
        """What a message calls it."""
        guess = "" if self.is_recorded else " or newer, going by its NSR03 (from memory)"
        return f"UDF {self.text}{guess}"


class JudgedDisc:
    """The facts of one disc with its trees; shared by all targets that judge it."""

    def __init__(self, facts: DiscFacts) -> None:
        self.facts = facts
        self._trees: dict[VolumeKind, NameTree | None] = {}
        self._missing: dict[tuple[VolumeKind, VolumeKind], Lacking] = {}
        self._whole: dict[VolumeKind, bool] = {}
        self.hits: dict[object, Any] = {}
        """What rules have found in its trees, as :mod:`.rule_types` remembers it.

        Not kept in the trees, which hits point to: garbage in circles stays for long.
        """

    def let_go(self) -> None:
        """Forget what was worked out of the trees, which can take as much memory as the facts."""
        for tree in filter(None, self._trees.values()):
            tree.let_go()

    def tree(self, kind: VolumeKind) -> NameTree | None:
        """Return the first tree of this kind whose contents were read, or None."""
        if kind in self._trees:
            return self._trees[kind]
        found = None
        for volume in self.facts.volumes:
            if volume.kind is kind and volume.entries_read:
                found = NameTree(volume)
                break
        self._trees[kind] = found
        return found

    @cached_property
    def parts(self) -> frozenset[DiscPart]:
        """The parts that the disc has."""
        kinds = {volume.kind for volume in self.facts.volumes}
        parts = (
            (DiscPart.UDF, VolumeKind.UDF in kinds),
            (DiscPart.ROCKRIDGE, VolumeKind.ROCKRIDGE in kinds),
            (DiscPart.BOOT, self.facts.boot is not None),
        )
        return frozenset([part for part, is_there in parts if is_there])

    def misses_nothing(self, seen: NameTree) -> bool:
        """Tell whether a tree names the contents of all files of every other."""
        if seen.kind not in self._whole:
            trees = map(self.tree, COMPARED)
            self._whole[seen.kind] = not any(
                any(self.missing_from(seen, other))
                for other in trees
                if other is not None and other is not seen
            )
        return self._whole[seen.kind]

    def missing_from(self, seen: NameTree, other: NameTree) -> Lacking:
        """Return the files of another tree whose contents this one does not name, or may not."""
        key = seen.kind, other.kind
        if key not in self._missing:
            missing = other.places.lacking_in(seen.places)
            is_udf = other.kind is VolumeKind.UDF and NO_PLACE in other.places.all
            if is_udf or (missing and VolumeKind.UDF in key):  # whose blocks do not tell all
                joliet = self.tree(VolumeKind.JOLIET)
                between = joliet.volume if joliet and joliet.kind not in key else None
                self._missing[key] = find_lacking(other.volume, seen.volume, between)
            else:
                missing.discard(NO_PLACE)
                places = sorted(missing)
                numbers = [each for place in places for each in other.places.numbers_at(place)]
                self._missing[key] = Lacking(numbers, [])
        return self._missing[key]

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
        for kind in target.trees:
            tree = self.tree(kind)
            if tree is not None and not self.is_too_new(kind, target):
                return tree
        return None

    def is_too_new(self, kind: VolumeKind, target: Target) -> bool:
        """Return whether this is UDF of a recorded revision that ``target`` does not read."""
        if kind is not VolumeKind.UDF:
            return False
        newest, revision = target.limits.get("udf_newest"), self.udf_revision
        if newest is None or revision is None:
            return False
        return revision.is_recorded and revision.text > newest.text()
