"""A ZIP archive as a tree, also one that a program carries after its own bytes.

It is listed by its directory and read member by member.

Bounds: no member may be said to expand further than its method can, all together not further than
:class:`Bounds` allows, and no two may share bytes. Data is checked when it is read: local
header against directory, length, CRC. Source: :mod:`mediashelf.formats.packed.zip_records`.
"""

from __future__ import annotations

import stat
import zlib
from collections.abc import Iterator
from typing import NamedTuple

from mediashelf.errors import FormatError, InputError
from mediashelf.findings import Finding, Severity
from mediashelf.formats.fields import View
from mediashelf.formats.packed.zip_directory import ZipDirectory, find_directory, iter_members
from mediashelf.formats.packed.zip_records import (
    LOCAL_SIZE,
    STORED,
    ZipMember,
    local_header_size,
    parse_local_header,
)
from mediashelf.trees.members import (
    Bounds,
    MemberKind,
    TreeMember,
    Unreadable,
    split_name,
    unsafe_name,
)
from mediashelf.trees.tree import Tree
from mediashelf.trees.zips.methods import MAX_EXPANSION, iter_expanded, why_not_expanded

_STORED_CHUNK = 1 << 18


class _Place(NamedTuple):
    """Where the data of a member is, as the directory says; it ends before ``limit``."""

    name: bytes
    header_at: int
    limit: int
    method: int
    stored_size: int
    crc: int


class ZipTree(Tree):
    """The members of an archive. Raises :class:`InputError` when its directory is not found."""

    def __init__(self, where: str, view: View, bounds: Bounds) -> None:
        super().__init__(where, "ZIP archive")
        self._view = view
        self._left = self._allowed = bounds.allowance(view.size)
        directory = self._find_directory()
        findings: list[Finding] = []
        listed: list[tuple[ZipMember, TreeMember]] = []
        try:
            for number, (_, record) in enumerate(iter_members(view, directory)):
                if number == bounds.members:
                    findings.append(self._damaged(f"it has more than {bounds.members:,} members"))
                    break
                member = self._member(record, directory, findings)
                if member is not None:
                    listed.append((record, member))
        except FormatError as error:
            findings.append(self._damaged(f"its directory is damaged: {error}"))
        overlapping = _overlapping([record for record, _ in listed], directory)
        self.members = [
            member._replace(
                unreadable=Unreadable("members-overlap", "its bytes overlap another member's")
            )
            if id(record) in overlapping and member.is_file
            else member
            for record, member in listed
        ]
        self.findings = tuple(findings)

    def _find_directory(self) -> ZipDirectory:
        try:
            directory = find_directory(self._view)
        except FormatError as error:
            raise InputError(f"{self.where}: the ZIP archive is damaged: {error}") from error
        if directory is None:
            raise InputError(f"{self.where}: the ZIP archive is cut short: it has no directory")
        if directory.is_split:
            raise InputError(
                f"{self.where}: is one part of a ZIP archive in several files; join them first"
            )
        return directory

    def _member(
        self, record: ZipMember, directory: ZipDirectory, findings: list[Finding]
    ) -> TreeMember | None:
        name = record.shown_name
        try:
            parts = split_name(name)
        except ValueError as error:
            findings.append(unsafe_name(f"{self.where}:{name}", str(error)))
            return None
        unix_kind = stat.S_IFMT(record.unix_mode)
        if name.endswith(("/", "\\")) or unix_kind == stat.S_IFDIR:
            return TreeMember(parts, 0, record.modified, MemberKind.FOLDER) if parts else None
        if not parts:
            findings.append(unsafe_name(f"{self.where}:{name}", "it has no name"))
            return None
        if unix_kind == stat.S_IFLNK:
            refusal = Unreadable("link-left-out", "it is a symbolic link")
            return TreeMember(parts, 0, record.modified, MemberKind.LINK, refusal)
        if unix_kind not in (0, stat.S_IFREG):
            refusal = Unreadable("special-file-left-out", "it is a device or FIFO")
            return TreeMember(parts, 0, record.modified, MemberKind.SPECIAL, refusal)
        place = _Place(
            record.name,
            record.offset + directory.prefix,
            directory.at,
            record.method,
            record.stored_size,
            record.crc,
        )
        size, modified = record.size, record.modified
        return TreeMember(parts, size, modified, unreadable=self._refusal(record), handle=place)

    def _refusal(self, record: ZipMember) -> Unreadable | None:
        """Return why the bytes of a member can't be had, or None."""
        if record.is_encrypted:
            return Unreadable("member-unreadable", "it is encrypted")
        reason = why_not_expanded(record.method)
        if reason:
            return Unreadable("member-unreadable", reason)
        most = MAX_EXPANSION.get(record.method)
        if (most is not None and record.size > most * record.stored_size) or (
            record.method == STORED and record.size != record.stored_size
        ):
            return Unreadable(
                "member-size-impossible",
                f"{record.stored_size:,} bytes cannot become {record.size:,}",
            )
        if record.size > self._left:
            return Unreadable(
                "archive-expands-too-far",
                f"with it the archive would expand to more than {self._allowed:,} bytes",
            )
        self._left -= record.size
        return None

    def _stream(self, member: TreeMember) -> Iterator[bytes]:
        place = member.handle
        assert isinstance(place, _Place)
        stored = self._iter_stored(member, place, self._find_data(member, place))
        size = crc = 0
        try:
            for piece in iter_expanded(place.method, stored):
                size += len(piece)
                crc = zlib.crc32(piece, crc)
                if size > member.size:
                    raise ValueError(f"it expands to more than its {member.size:,} bytes")
                yield piece
        except ValueError as error:
            raise self._bad(member, str(error)) from error
        if size != member.size:
            raise self._bad(member, f"it has {size:,} bytes, expected {member.size:,}")
        if crc != place.crc:
            raise self._bad(member, f"its CRC is {crc:08x}, expected {place.crc:08x}")

    def _find_data(self, member: TreeMember, place: _Place) -> int:
        """Return where the data begins, once the local header agrees with the directory."""
        start = self._view.read(place.header_at, LOCAL_SIZE)
        start = self._view.read(place.header_at, local_header_size(start))
        try:
            local = parse_local_header(start, place.header_at)
        except FormatError as error:
            raise self._bad(member, str(error)) from error
        if (local.name, local.method, local.is_encrypted) != (place.name, place.method, False):
            raise self._bad(member, "its local header is of another member than the directory says")
        data_at = place.header_at + local.record_size
        if data_at + place.stored_size > place.limit:
            raise self._bad(member, "its data would reach into the archive's directory")
        return data_at

    def _iter_stored(self, member: TreeMember, place: _Place, at: int) -> Iterator[bytes]:
        end = at + place.stored_size
        while at < end:
            piece = self._view.read(at, min(end - at, _STORED_CHUNK))
            if not piece:
                raise self._bad(member, f"the archive ends {end - at:,} bytes before its data does")
            at += len(piece)
            yield piece

    def _bad(self, member: TreeMember, reason: str) -> InputError:
        return InputError(f"{self.where_is(member)}: {reason}; get the archive again")

    def _damaged(self, fact: str) -> Finding:
        remedy = "get the archive again, or unpack what is sound in it and use the folder"
        return Finding("listing-incomplete", Severity.ERROR, self.where, fact, remedy)


def _overlapping(records: list[ZipMember], directory: ZipDirectory) -> set[int]:
    """Return, by id(), members whose bytes begin inside an earlier one or the directory."""
    found = set()
    furthest = 0
    for record in sorted(records, key=lambda record: record.offset):
        start = record.offset + directory.prefix
        # The local header is at least this long; only whoever reads it knows its length.
        end = start + LOCAL_SIZE + len(record.name) + record.stored_size
        if start < furthest or end > directory.at:
            found.add(id(record))
        furthest = max(furthest, end)
    return found
