"""A tar archive as a tree, read through Python's tarfile, member by member and never unpacked.

Bounds: members as everywhere; a header of more than 1 MiB, steps backwards and more
reads than the file has blocks end the listing, as a damaged archive does. A hard link is the
member before it that it names; other links, devices and sparse files are named and not read.
"""

from __future__ import annotations

import re
import tarfile
from collections.abc import Iterator

from mediashelf.errors import InputError
from mediashelf.findings import Finding, Severity
from mediashelf.formats.fields import View
from mediashelf.text import count_text
from mediashelf.trees.bytes import PartView
from mediashelf.trees.members import (
    Bounds,
    MemberKind,
    Parts,
    TreeMember,
    Unreadable,
    end_unclear,
    split_name,
    unsafe_name,
)
from mediashelf.trees.tree import CHUNK, Tree

_BLOCK = 512
_MAGIC_AT = 257  # POSIX, pax, ustar Interchange Format
_RECORD = 20 * _BLOCK  # as most archives are written (POSIX, pax, -b blocksize, from memory)
_LONGEST_READ = 1 << 20


class _Headers:
    """The file that tarfile sees; it refuses what only hostile headers ask for."""

    def __init__(self, view: View) -> None:
        self._view = view
        self._at = 0
        self._reads_left = 64 + 4 * (view.size // _BLOCK)

    def read(self, size: int) -> bytes:
        self._reads_left -= 1
        if not 0 <= size <= _LONGEST_READ or self._reads_left < 0:
            raise tarfile.ReadError(f"a header asks for {size:,} bytes")
        data = self._view.read(self._at, size)
        self._at += len(data)
        return data

    def seek(self, offset: int) -> None:
        if not offset >= 0:
            raise tarfile.ReadError(f"a header leads to byte {offset:,}")
        self._at = offset

    def tell(self) -> int:
        return self._at


class _ByPath:
    """Finds a file that was listed before, by its path; the last of equal ones."""

    def __init__(self, members: list[TreeMember]) -> None:
        self._members = members
        self._files: dict[Parts, TreeMember] = {}
        self._known = 0

    def find(self, path: str) -> TreeMember | None:
        for member in self._members[self._known :]:
            if member.is_file:
                self._files[member.parts] = member
        self._known = len(self._members)
        try:
            return self._files.get(split_name(path))
        except ValueError:
            return None


def _is_sparse(header: tarfile.TarInfo) -> bool:
    """Tell whether a member's bytes are not the file's, in any form, also one tarfile passes over.

    GNU tar manual, "Storing Sparse Files"; the names that star and Solaris use from memory.
    """
    more = header.pax_headers
    return (
        header.issparse()
        or any(name.startswith(("GNU.sparse.", "SUN.holesdata")) for name in more)
        or more.get("SCHILY.realsize", str(header.size)) != str(header.size)
    )


class TarTree(Tree):
    """The members of an archive."""

    def __init__(self, where: str, view: View, bounds: Bounds) -> None:
        super().__init__(where, "tar archive")
        self._view = view
        findings: list[Finding] = []
        members: list[TreeMember] = []
        by_path = _ByPath(members)
        self._end_problem, self._is_cut = "", False
        try:
            for header in self._iter_headers():
                if len(members) == bounds.members:
                    raise ValueError(f"it has more than {bounds.members:,} members")
                member = self._member(header, by_path, findings)
                if member is not None:
                    members.append(member)
        # Of these, ValueError, OverflowError and the like are what tarfile makes of nonsense.
        except (tarfile.TarError, ValueError, OverflowError, LookupError, EOFError) as error:
            read = count_text(len(members), "member")
            findings.append(
                Finding(
                    "listing-incomplete",
                    Severity.ERROR,
                    where,
                    f"the tar archive is damaged after {read}: {error}",
                    "get the archive again, or unpack what is sound in it and use the folder",
                )
            )
        else:
            fact = self._end_problem
            if fact and not (self._is_cut and any(one.unreadable for one in members)):
                findings.append(end_unclear(where, fact))
        self.members = members
        self.findings = tuple(findings)

    def _iter_headers(self) -> Iterator[tarfile.TarInfo]:
        archive = tarfile.TarFile(fileobj=_Headers(self._view), errorlevel=2)  # type: ignore[arg-type]
        furthest = -1
        while (header := archive.next()) is not None:
            archive.members = []  # type: ignore[attr-defined]  # else it keeps them all
            if header.offset <= furthest or header.size < 0:
                raise tarfile.ReadError("a header leads backwards")
            furthest = header.offset
            yield header
        # tarfile takes a header that is cut or damaged for the end of the archive.
        last = self._view.read(archive.offset, _BLOCK)
        if furthest >= 0 and last.strip(b"\0"):
            raise tarfile.ReadError(f"no header is at byte {archive.offset:,}")
        if archive.fileobj is not None and furthest < 0:
            raise InputError(f"{self.where}: the tar archive has no members")
        self._is_cut = len(last) < _BLOCK
        if self._is_cut:
            self._end_problem = (
                "it ends after a member, without the blocks of zeros that end a tar archive"
            )
        else:
            self._look_past(archive.offset)

    def _look_past(self, end: int) -> None:
        """Look at what follows the end; a header that is lost to zeros looks like one.

        Writers of old leave what was in their memory in the rest of the last record.
        """
        has_mark = not self._view.read(end, 2 * _BLOCK).strip(b"\0")
        rest = -(-end // _RECORD) * _RECORD if has_mark else end
        is_zeros = True
        for at in range(end, self._view.size, _LONGEST_READ):
            piece = self._view.read(at, _LONGEST_READ)
            if not piece.strip(b"\0"):
                continue
            is_zeros = False
            for found in re.finditer(rb"ustar", piece):
                place = found.start() - _MAGIC_AT
                if place >= 0 and place % _BLOCK == 0 and at + place >= rest:
                    raise tarfile.ReadError(f"members follow its end, from byte {at + place:,} on")
        if not is_zeros:
            self._end_problem = "bytes that are not part of it follow where the tar archive ends"

    def _member(
        self, header: tarfile.TarInfo, by_path: _ByPath, findings: list[Finding]
    ) -> TreeMember | None:
        try:
            parts = split_name(header.name)
        except ValueError as error:
            findings.append(unsafe_name(f"{self._inside(header.name)}", str(error)))
            return None
        modified = int(header.mtime) if 0 <= header.mtime < 1 << 36 else None
        if not parts:
            return None
        if header.isdir():
            return TreeMember(parts, 0, modified, MemberKind.FOLDER)
        first = by_path.find(header.linkname) if header.islnk() else None
        if first is not None:
            return first._replace(parts=parts)
        if header.issym() or header.islnk():
            refusal = Unreadable("link-left-out", "it is a link")
            return TreeMember(parts, 0, modified, MemberKind.LINK, refusal)
        if not header.isreg():
            refusal = Unreadable("special-file-left-out", "it is a device or FIFO")
            return TreeMember(parts, 0, modified, MemberKind.SPECIAL, refusal)
        refusal_of_file = None
        if _is_sparse(header):
            refusal_of_file = Unreadable("member-unreadable", "it is a sparse file")
        elif header.offset_data + header.size > self._view.size:
            refusal_of_file = Unreadable("member-unreadable", "the archive ends before it does")
        return TreeMember(
            parts, header.size, modified, MemberKind.FILE, refusal_of_file, header.offset_data
        )

    def _stream(self, member: TreeMember) -> Iterator[bytes]:
        assert isinstance(member.handle, int)
        view = PartView(self._view, member.handle, member.size)
        for at in range(0, view.size, CHUNK):
            yield view.read(at, CHUNK)
