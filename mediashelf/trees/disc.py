"""A disc image as a tree: ISO 9660, Joliet, Rock Ridge or UDF, also inside raw sectors.

A disc has one tree for each kind of name. Unless one is asked for, the tree with the most
files is taken, and among equals that with the longest names: Rock Ridge, UDF, Joliet,
ISO 9660 (own choice). What the reader of images finds wrong is in its findings.
"""

from __future__ import annotations

from array import array
from collections.abc import Iterator, Sequence
from functools import lru_cache

from msgspec.structs import replace

from mediashelf.errors import InputError
from mediashelf.findings import Finding, Severity
from mediashelf.formats.entries import iter_folders
from mediashelf.formats.rockridge.other_contents import COMPRESSED_RULE, LINKS_RULE
from mediashelf.formats.udf.volume import OTHERS_RULE
from mediashelf.formats.volume import (
    DiscFacts,
    Extent,
    VolumeFacts,
    VolumeKind,
    ends_outside,
    parse_record_date,
)
from mediashelf.image import DiscImage
from mediashelf.trees.columns import MemberColumns
from mediashelf.trees.members import (
    MAX_LEVELS,
    Bounds,
    MemberKind,
    TreeMember,
    Unreadable,
    is_plain_name,
    plain_parts,
    split_name,
    unsafe_name,
)
from mediashelf.trees.tree import Tree

_OTHER_CONTENTS = frozenset({COMPRESSED_RULE, LINKS_RULE, OTHERS_RULE})
_LONGEST_NAMES = (VolumeKind.ROCKRIDGE, VolumeKind.UDF, VolumeKind.JOLIET, VolumeKind.ISO9660)


class _DiscMembers(MemberColumns):
    """Members whose handles are the numbers of their entries; folders have none."""

    __slots__ = ("numbers",)

    def __init__(self) -> None:
        super().__init__()
        self.numbers = array("I")

    def handle(self, place: int) -> object:
        return None if self.is_folder(place) else self.numbers[place]


class DiscTree(Tree):
    """One volume of an open image, which is closed with it; ``volume`` says which.

    ``entry_counts`` has for each kind of volume how many entries the first of them has.
    """

    def __init__(
        self, where: str, image: DiscImage, bounds: Bounds, kind: VolumeKind | None = None
    ) -> None:
        self.volume = fullest_volume(where, image.facts, kind)
        super().__init__(where, f"{self.volume.kind.words} image")
        self.image = image
        self.entry_counts = {
            volume.kind: len(volume.entries) for volume in reversed(image.facts.volumes)
        }
        self.own(image)
        self.notes = tuple(
            replace(one, where=f"{where}:{one.where}")
            for one in image.findings
            if one.rule in _OTHER_CONTENTS
        )
        findings = []
        if not self.volume.is_complete:
            findings.append(_incomplete(where, "its directories are damaged"))
        self.members = self._list_members(bounds, findings)
        self.findings = tuple(findings)

    def let_go_of_other_volumes(self) -> None:
        """Forget the entries of the other volumes: the image's facts have none from now on.

        They can take as much memory as all that is asked of this one.
        """
        facts = self.image.facts
        volumes = [
            volume if volume is self.volume else replace(volume, entries=())
            for volume in facts.volumes
        ]
        self.image.facts = replace(facts, volumes=tuple(volumes))

    def _list_members(self, bounds: Bounds, findings: list[Finding]) -> MemberColumns:
        members = _DiscMembers()
        number = -1
        for folder in iter_folders(self.volume.entries):
            above = plain_parts(folder.path[1:])
            files = zip(folder.iter_extents(), folder.dates, strict=True)
            columns = zip(folder.names, folder.sizes, folder.are_folders, files, strict=True)
            for name, size, is_directory, (extents, date) in columns:
                if len(members) == bounds.members:
                    findings.append(
                        _incomplete(self.where, f"it has more than {len(members):,} files")
                    )
                    return members
                number += 1
                if above is not None and len(above) < MAX_LEVELS and is_plain_name(name):
                    members.enter(above)
                    last = name
                else:
                    try:
                        parts = split_name(f"{folder.path}/{name}"[1:])
                    except ValueError as error:
                        where = f"{self.where}:{folder.path}/{name}"
                        findings.append(unsafe_name(where, str(error)))
                        continue
                    if not parts:
                        continue
                    members.enter(parts[:-1])
                    last = name if name == parts[-1] else parts[-1]
                members.numbers.append(number)
                if is_directory:
                    members.add(last, 0, _seconds(date), MemberKind.FOLDER)
                else:
                    refusal = self._refusal(size, extents)
                    members.add(last, size, _seconds(date), MemberKind.FILE, refusal)
        return members

    def _refusal(self, size: int, extents: Sequence[Extent]) -> Unreadable | None:
        if ends_outside(extents, self.volume.block_size, self.image.view.size):
            return Unreadable("member-unreadable", "the image ends before the file does")
        if sum([extent[1] for extent in extents]) != size:
            return Unreadable("member-unreadable", "it is recorded in a way that is not read")
        return None

    def _stream(self, member: TreeMember) -> Iterator[bytes]:
        assert isinstance(member.handle, int)
        return self.image.iter_file(self.volume.entries[member.handle])


@lru_cache(maxsize=4096)  # most entries of a disc share few dates
def _seconds(date: bytes) -> int | None:
    moment = parse_record_date(date)
    return None if moment is None else int(moment.timestamp())


def fullest_volume(where: str, facts: DiscFacts, kind: VolumeKind | None = None) -> VolumeFacts:
    """Return the volume that is taken of a disc; :class:`InputError` where none can be read."""
    readable = [volume for volume in facts.volumes if volume.entries_read]
    if kind is not None:
        readable = [volume for volume in readable if volume.kind is kind]
    if not readable:
        if kind is not None:
            raise InputError(f"{where}: has no {kind.words} tree that can be read")
        raise InputError(f"{where}: is not a disc image that can be read")
    ridge = next((one for one in readable if one.kind is VolumeKind.ROCKRIDGE), None)
    if kind is None and ridge is not None and ridge.is_complete:
        # The same records; the primary tree only has more files where a link to a relocated
        # directory (RRIP 1.12, 4.1.5.1) counts as an empty one.
        readable = [one for one in readable if one.kind is not VolumeKind.ISO9660]
    return max(readable, key=lambda one: (_file_count(one), -_LONGEST_NAMES.index(one.kind)))


def _file_count(volume: VolumeFacts) -> int:
    """Return how many files a tree has; folders do not count, as only one may have /DEEP."""
    folders = iter_folders(volume.entries)
    return len(volume.entries) - sum(sum(folder.are_folders) for folder in folders)


def _incomplete(where: str, reason: str) -> Finding:
    return Finding(
        "listing-incomplete",
        Severity.WARNING,
        where,
        f"Not every file of this tree could be listed: {reason}",
        "audit the image: what seems to be missing may be there",
    )
