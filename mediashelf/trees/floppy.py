"""A floppy image, or another volume of FAT12 or FAT16, as a tree.

Bounds: members and levels as everywhere; a folder that is inside itself is not followed twice,
and no more bytes are given of a file than its size says. The short names are those of code page
437 (common practice), the dates have no zone and are taken as UTC.
"""

from __future__ import annotations

from collections.abc import Iterator

from mediashelf.errors import InputError
from mediashelf.findings import Finding, Severity
from mediashelf.formats.packed.fat import FatVolume
from mediashelf.formats.packed.fat_folders import FatEntry
from mediashelf.text import count_text
from mediashelf.trees.members import (
    Bounds,
    MemberKind,
    Parts,
    TreeMember,
    end_unclear,
    split_name,
    unsafe_name,
)
from mediashelf.trees.tree import Tree

_PUBLISHED = "Microsoft KB Q75131"
_MEASURED = "measured: volumes of FAT16 as mkfs.fat 4.2 makes them; of others own behaviour"


class FloppyTree(Tree):
    """The files of a volume."""

    def __init__(self, where: str, volume: FatVolume, bounds: Bounds) -> None:
        super().__init__(where, "floppy image")
        self._volume = volume
        self._firsts: list[int] = []  # clusters at which files and folders begin
        findings: list[Finding] = []
        members: list[TreeMember] = []
        for member in self._walk(findings):
            if len(members) == bounds.members:
                findings.append(_not_listed(where, f"it has more than {bounds.members:,} files"))
                break
            members.append(member)
        else:
            findings += _strays(where, *volume.count_strays(self._firsts))
        if not volume.is_whole:
            fact = f"the image has {volume.image_size:,} bytes, its volume {volume.size:,}"
            findings.append(end_unclear(where, fact))
        if not volume.tables_agree:
            findings.append(_tables_differ(where))
        if volume.top_entries != volume.usual_top_entries:
            findings.append(_top_unusual(where, volume))
        self.members = members
        self.findings = tuple(findings)

    def _walk(self, findings: list[Finding]) -> Iterator[TreeMember]:
        waiting: list[tuple[Parts, Iterator[FatEntry]]] = [((), self._volume.top())]
        seen: set[int] = set()
        while waiting:
            above, entries = waiting.pop()
            for entry in entries:
                if entry.is_folder or entry.size:
                    self._firsts.append(entry.cluster)
                try:
                    (name,) = split_name(entry.name)
                    parts = split_name("/".join((*above, name)))
                except ValueError:
                    findings.append(
                        unsafe_name(f"{self._inside('/'.join(above))}/{entry.name}", "bad name")
                    )
                    continue
                if not entry.is_folder:
                    yield TreeMember(parts, entry.size, entry.modified, handle=entry)
                elif entry.cluster in seen:
                    where = self._inside("/".join(parts))
                    findings.append(_not_listed(where, "the folder is listed twice"))
                else:
                    seen.add(entry.cluster)
                    if not self._volume.has_own_entry(entry):
                        findings.append(_no_own_entry(self._inside("/".join(parts))))
                    yield TreeMember(parts, 0, entry.modified, MemberKind.FOLDER)
                    waiting.append((parts, self._volume.folder(entry)))

    def _stream(self, member: TreeMember) -> Iterator[bytes]:
        assert isinstance(member.handle, FatEntry)
        given = 0
        for piece in self._volume.iter_file(member.handle):
            given += len(piece)
            yield piece
        if given < member.size:
            raise InputError(
                f"{self.where_is(member)}: ends at byte {given:,} of {member.size:,}: its clusters "
                "are not all there; read the floppy again"
            )


def _not_listed(where: str, fact: str) -> Finding:
    return Finding(
        "listing-incomplete",
        Severity.WARNING,
        where,
        f"Not every file could be listed: {fact}",
        "read it again, or compare it with another copy",
    )


def _strays(where: str, lost: int, shared: int) -> Iterator[Finding]:
    said = (
        (lost, "in use and part of no file: files may be missing or cut"),
        (shared, "part of several files, of which at most one is right"),
    )
    for count, words in said:
        if count:
            verb = "is" if count == 1 else "are"
            yield Finding(
                "clusters-in-files",
                Severity.NOTE,
                where,
                f"{count_text(count, 'cluster')} {verb} {words}",
                "read it again, or compare it with another copy",
                "from memory; each cluster in use is part of one file",
            )


def _no_own_entry(where: str) -> Finding:
    return Finding(
        "folder-own-entry",
        Severity.NOTE,
        where,
        "The folder does not begin with its own entry, so what is shown of it may be something "
        "else: the folder or the boot sector is damaged",
        "read it again, or compare it with another copy",
        "from memory; no folder is written without it",
    )


def _top_unusual(where: str, volume: FatVolume) -> Finding:
    return Finding(
        "top-folder-usual",
        Severity.NOTE,
        where,
        f"the boot sector gives the top folder {volume.top_entries:,} entries, where such disks "
        f"have {volume.usual_top_entries:,}; if that is damage, files are read from wrong places",
        "if files look wrong read it again, or compare it with another copy",
        _PUBLISHED if volume.is_known_disk else _MEASURED,
        found=f"{volume.top_entries:,}",
        expected=f"{volume.usual_top_entries:,}",
    )


def _tables_differ(where: str) -> Finding:
    return Finding(
        "file-tables-agree",
        Severity.NOTE,
        where,
        "its file allocation tables differ; the first was used, and files may be wrong",
        "read it again, or compare it with another copy",
        "from memory; each is a copy of the first",
    )
