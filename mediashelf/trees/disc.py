"""A disc image as a tree: ISO 9660, Joliet, Rock Ridge or UDF, also inside raw sectors.

A disc has one tree for each kind of name. Unless one is asked for, the tree with the most
files is taken, and among equals that with the longest names: Rock Ridge, UDF, Joliet,
ISO 9660 (own choice). What the reader of images finds wrong is in its findings; a tree's
own say where a file of the disc is more than its bytes.
"""

from __future__ import annotations

from collections.abc import Iterator

from mediashelf.errors import InputError
from mediashelf.findings import Finding, Severity
from mediashelf.formats.entries import iter_folders
from mediashelf.formats.rockridge.other_contents import COMPRESSED_RULE, LINKS_RULE
from mediashelf.formats.volume import HOLE, DiscFacts, Entry, VolumeFacts, VolumeKind
from mediashelf.image import DiscImage
from mediashelf.trees.members import (
    Bounds,
    MemberKind,
    TreeMember,
    Unreadable,
    split_name,
    unsafe_name,
)
from mediashelf.trees.tree import Tree

_OTHER_CONTENTS = frozenset({COMPRESSED_RULE, LINKS_RULE})
_LONGEST_NAMES = (VolumeKind.ROCKRIDGE, VolumeKind.UDF, VolumeKind.JOLIET, VolumeKind.ISO9660)


class DiscTree(Tree):
    """One volume of an open image, which is closed with it; ``volume`` says which."""

    def __init__(
        self, where: str, image: DiscImage, bounds: Bounds, kind: VolumeKind | None = None
    ) -> None:
        self.volume = fullest_volume(where, image.facts, kind)
        super().__init__(where, f"{self.volume.kind.words} image")
        self.image = image
        self.own(image)
        findings = [one for one in image.findings if one.rule in _OTHER_CONTENTS]
        if not self.volume.is_complete:
            findings.append(_incomplete(where, "its directories are damaged"))
        members: list[TreeMember] = []
        for entry in self.volume.entries:
            if len(members) == bounds.members:
                findings.append(_incomplete(where, f"it has more than {bounds.members:,} files"))
                break
            try:
                parts = split_name(entry.path.removeprefix("/"))
            except ValueError as error:
                findings.append(unsafe_name(f"{where}:{entry.path}", str(error)))
                continue
            if parts:
                members.append(self._member(entry, parts))
        self.members = members
        self.findings = tuple(findings)

    def _member(self, entry: Entry, parts: tuple[str, ...]) -> TreeMember:
        moment = entry.modified
        modified = None if moment is None else int(moment.timestamp())
        if entry.is_directory:
            return TreeMember(parts, 0, modified, MemberKind.FOLDER)
        refusal = None
        if _ends_outside(entry, self.volume.block_size, self.image.view.size):
            refusal = Unreadable("member-unreadable", "the image ends before the file does")
        elif sum([extent[1] for extent in entry.extents]) != entry.size:
            refusal = Unreadable("member-unreadable", "it is recorded in a way that is not read")
        return TreeMember(parts, entry.size, modified, MemberKind.FILE, refusal, entry)

    def _stream(self, member: TreeMember) -> Iterator[bytes]:
        assert isinstance(member.handle, Entry)
        return self.image.iter_file(member.handle)


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


def _ends_outside(entry: Entry, block_size: int, image_size: int) -> bool:
    for lba, size, offset in entry.extents:  # without more calls: there can be 100,000 entries
        if lba * block_size + offset + size > image_size and size and lba != HOLE:
            return True
    return False


def _incomplete(where: str, reason: str) -> Finding:
    return Finding(
        "listing-incomplete",
        Severity.WARNING,
        where,
        f"Not every file of this tree could be listed: {reason}",
        "audit the image: what seems to be missing may be there",
    )
