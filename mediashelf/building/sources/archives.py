"""A ZIP archive as a source: its members become files of the disc without being unpacked.

Decided here:

=======================  ==============================================================
found in the archive     on the disc
=======================  ==============================================================
stored or deflated       a file, with its own date: that of its UTC extra field, else
member                   the DOS date, which has no zone and is taken as UTC; 1 January
                         1980 where there is none
``\\`` in a name          parts folders, as on the systems that write it
``a//b``, ``./a``        ``a/b`` and ``a``
``..``, ``/a``, ``C:a``  left out, error ``member-name-unsafe``
over 100 levels          the same
a name twice             the first; a note when the bytes are equal, else the error
                         ``same-place-twice``
encrypted, or by         left out, error ``member-unreadable``
another method
more than deflate can    left out, error ``member-size-impossible``
make of its bytes
bytes of another         left out, error ``members-overlap``
member
more than the archive    left out, error ``archive-expands-too-far``
may expand to in all
symbolic link, device    left out, warnings as for folders
=======================  ==============================================================

Only headers are looked at here. Data is checked when it is read: see
:mod:`.member_reading`.
"""

from __future__ import annotations

import os
import re
import stat
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from mediashelf.building.recipes.patterns import Parts, Selection
from mediashelf.building.sources.clock import NO_FILES
from mediashelf.building.sources.placing import Spot, link_left_out, place_file, special_left_out
from mediashelf.building.sources.reading import OPEN_FLAGS
from mediashelf.building.tree import ArchiveMember, Content, DiscFile, DiscFolder
from mediashelf.errors import FormatError, InputError
from mediashelf.findings import Finding, Severity
from mediashelf.formats.packed.zip_directory import ZipDirectory, find_directory, iter_members
from mediashelf.formats.packed.zip_records import DEFLATED, LOCAL_SIZE, METHODS, STORED, ZipMember
from mediashelf.image import FileView

MAX_MEMBERS = 1_000_000
"""Members of an archive that are listed; a disc holds far fewer."""

MAX_LEVELS = 100
"""Parts of a member's name that are followed; paths of old systems have far fewer."""

MAX_EXPANSION = 1032
"""Bytes that one byte of a deflate stream can become (zlib's documentation)."""

LEAST_ALLOWANCE, ALLOWANCE_RATIO = 256 << 20, 64
"""An archive may expand to 256 MiB, or to 64 times its size if that is more (our own limit)."""

_ABSOLUTE = re.compile(r"/|[A-Za-z]:")


def list_archive(
    path: Path, real: str, folder: DiscFolder, selection: Selection, origin: int
) -> Iterator[Finding]:
    """Put the members of the archive at ``path`` into ``folder``, and yield findings.

    ``real`` is the path without links. Raises :class:`InputError` for a file that
    cannot be read or is not an archive.
    """
    try:
        descriptor = os.open(real, OPEN_FLAGS)
        try:
            facts = os.fstat(descriptor)
            if not stat.S_ISREG(facts.st_mode):
                raise InputError(f"{path}: is neither a folder nor a ZIP archive")
            view = FileView(descriptor, facts.st_size)
            listing = _ArchiveListing(path, real, facts, selection, origin)
            yield from listing.iter_findings(view, Spot(folder))
        finally:
            os.close(descriptor)
    except OSError as error:
        raise InputError(f"{path}: cannot be read: {error.strerror or error}") from error


@dataclass(frozen=True, slots=True)
class _WantedMember:
    """A member that goes on the disc, under these names."""

    parts: Parts
    where: str
    member: ZipMember


class _ArchiveListing:
    """Lists one archive."""

    def __init__(
        self, path: Path, real: str, facts: os.stat_result, selection: Selection, origin: int
    ) -> None:
        self._path = path
        self._real = real
        self._facts = facts
        self._selection = selection
        self._origin = origin
        self._left = max(LEAST_ALLOWANCE, ALLOWANCE_RATIO * facts.st_size)

    def iter_findings(self, view: FileView, top: Spot) -> Iterator[Finding]:
        directory = self._find_directory(view)
        folders: list[Parts] = []
        wanted: list[_WantedMember] = []
        try:
            for number, (_, member) in enumerate(iter_members(view, directory)):
                if number == MAX_MEMBERS:
                    yield self._error("archive-too-large", f"it has more than {number:,} members")
                    break
                yield from self._sort_out(member, folders, wanted)
        except FormatError as error:
            yield self._error("source-unreadable", f"its directory is damaged: {error}")
        spots: dict[Parts, Spot] = {(): top}
        for parts in sorted(folders):
            self._spot(spots, parts).folder()
        overlapping = _overlapping(wanted, directory)
        # By name, so that the order of an archive has no influence on the disc; the sort
        # keeps the order of equal names.
        for one in sorted(wanted, key=lambda one: one.parts):
            if id(one) in overlapping:
                yield _left_out("members-overlap", one.where, "its bytes overlap another member's")
                continue
            file = self._file(one, directory)
            yield from place_file(self._spot(spots, one.parts[:-1]).folder(), file)

    def _find_directory(self, view: FileView) -> ZipDirectory:
        try:
            directory = find_directory(view)
        except FormatError as error:
            raise InputError(f"{self._path}: the ZIP archive is damaged: {error}") from error
        if directory is None:
            raise InputError(f"{self._path}: is neither a folder nor a ZIP archive")
        if directory.is_split:
            raise InputError(
                f"{self._path}: is one part of a ZIP archive in several files; join them first"
            )
        return directory

    def _sort_out(
        self, member: ZipMember, folders: list[Parts], wanted: list[_WantedMember]
    ) -> Iterator[Finding]:
        """Put a member where it belongs, or yield why it stays out."""
        name = member.shown_name.replace("\\", "/")
        where = f"{self._path}:{member.shown_name}"
        parts = tuple(part for part in name.split("/") if part not in ("", "."))
        kind = stat.S_IFMT(member.unix_mode)
        is_folder = name.endswith("/") or kind == stat.S_IFDIR
        if _ABSOLUTE.match(name) or ".." in parts or "\0" in name or not (parts or is_folder):
            yield _left_out("member-name-unsafe", where, "its name leads out of its folder")
        elif len(parts) > MAX_LEVELS:
            where = f"{where[:200]}…"
            yield _left_out("member-name-unsafe", where, f"it is {len(parts):,} levels deep")
        elif is_folder:
            if parts and self._selection.takes_folder(parts):
                folders.append(parts)
        elif not self._selection.takes_file(parts):
            return
        elif kind == stat.S_IFLNK:
            yield link_left_out(where, "is in an archive, where links are not followed")
        elif kind not in (0, stat.S_IFREG):
            yield special_left_out(where, "device or FIFO")
        else:
            finding = self._refusal(member, where)
            if finding is not None:
                yield finding
            else:
                wanted.append(_WantedMember(parts, where, member))

    def _refusal(self, member: ZipMember, where: str) -> Finding | None:
        """Return why the bytes of a member can't be used, or None."""
        if member.is_encrypted:
            return _left_out("member-unreadable", where, "it is encrypted")
        if member.method not in (STORED, DEFLATED):
            method = METHODS.get(member.method, f"of method {member.method}")
            return _left_out("member-unreadable", where, f"it is {method}, which is not read here")
        most = member.stored_size * (MAX_EXPANSION if member.method == DEFLATED else 1)
        if member.size > most or (member.method == STORED and member.size != most):
            return _left_out(
                "member-size-impossible",
                where,
                f"{member.stored_size:,} bytes cannot become {member.size:,}",
            )
        if member.size > self._left:
            allowed = max(LEAST_ALLOWANCE, ALLOWANCE_RATIO * self._facts.st_size)
            return _left_out(
                "archive-expands-too-far",
                where,
                f"with it the archive would expand to more than {allowed:,} bytes",
            )
        self._left -= member.size
        return None

    def _spot(self, spots: dict[Parts, Spot], parts: Parts) -> Spot:
        spot = spots.get(parts)
        if spot is None:
            above = self._spot(spots, parts[:-1])
            spot = spots[parts] = above.below(parts[-1], f"{self._path}:{'/'.join(parts)}")
        return spot

    def _file(self, one: _WantedMember, directory: ZipDirectory) -> DiscFile:
        member = one.member
        place = ArchiveMember(
            member.name,
            member.offset + directory.prefix,
            directory.at,
            member.method,
            member.stored_size,
            member.crc,
            self._facts.st_size,
        )
        content = Content(self._real, member.size, self._facts.st_mtime_ns, member=place)
        modified = NO_FILES if member.modified is None else member.modified
        return DiscFile(one.parts[-1], one.where, content, modified, self._origin)

    def _error(self, rule: str, message: str) -> Finding:
        remedy = "Get the archive again, or unpack what is sound in it and use the folder"
        return Finding(rule, Severity.ERROR, str(self._path), message, remedy)


def _overlapping(wanted: list[_WantedMember], directory: ZipDirectory) -> set[int]:
    """Return, by id(), members whose bytes begin inside an earlier one or the directory."""
    found = set()
    furthest = 0
    for one in sorted(wanted, key=lambda one: one.member.offset):
        start = one.member.offset + directory.prefix
        # The local header is at least this long; only whoever reads it knows its length.
        end = start + LOCAL_SIZE + len(one.member.name) + one.member.stored_size
        if start < furthest or end > directory.at:
            found.add(id(one))
        furthest = max(furthest, end)
    return found


def _left_out(rule: str, where: str, reason: str) -> Finding:
    return Finding(
        rule,
        Severity.ERROR,
        where,
        f"{reason}, so it would not be on the disc",
        "Unpack it elsewhere and check it, or skip it in the recipe",
    )
