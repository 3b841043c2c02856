"""Rock Ridge: detected, and its names and relocated directories resolved.

What the entries mean is as the Linux kernel 6.12 reads them (fs/isofs/rock.c).
Owners, modes, links and time stamps are not read.
"""

from __future__ import annotations

from typing import NamedTuple

from mediashelf.formats.fields import View, parse_both_32
from mediashelf.formats.iso.directory_records import (
    DirectoryRecord,
    Geometry,
    parse_directory,
    system_use_of,
)
from mediashelf.formats.iso.naming import Directory, Named, usable_names
from mediashelf.formats.iso.system_use import SystemUseReader
from mediashelf.formats.structure_rules import ProblemLog
from mediashelf.formats.volume import FLAG_DIRECTORY, FLAG_MULTI_EXTENT, SECTOR_SIZE, Extent

_CHECK_BYTES = b"\xbe\xef"  # of the SP entry
_NAME_IS_SELF_OR_PARENT = 0x06  # flags of NM

# Entries that only Rock Ridge has; one of them, or ER, beside SP is enough.
_TELLING = frozenset((b"ER", b"RR", b"PX", b"TF", b"NM"))


class RockRidgeFacts(NamedTuple):
    """How many bytes of each system use field belong to somebody else, and the name in ER."""

    skip: int
    identifier: str


class _Meaning(NamedTuple):
    """What the entries of one record say; links are block numbers."""

    name: str | None = None
    child_link: int | None = None
    parent_link: int | None = None
    is_relocated: bool = False


def detect_rock_ridge(view: View, root: Extent, geometry: Geometry) -> RockRidgeFacts | None:
    """Return how to read Rock Ridge, or None when the root's self record does not announce it."""
    data = view.read(root.lba * geometry.block_size, SECTOR_SIZE)
    found = _first_two(data, geometry)
    if found[0] is None:
        return None
    use = system_use_of(data, found[0])
    if use[:2] != b"SP" or use[4:6] != _CHECK_BYTES or len(use) < 7:
        return None
    identifier, is_telling = "", False
    for signature, body in SystemUseReader(view, geometry.block_size, ProblemLog()).entries(
        use, "", 0
    ):
        is_telling |= signature in _TELLING
        if signature == b"ER" and len(body) > 4:
            identifier = body[4 : 4 + body[0]].decode("latin-1")
    return RockRidgeFacts(use[6], identifier) if is_telling else None


def _first_two(
    data: bytes, geometry: Geometry
) -> tuple[DirectoryRecord | None, DirectoryRecord | None]:
    """Return the self and the parent record that a directory's first sector begins with."""
    records = parse_directory(
        data, offset=0, where="", geometry=geometry, log=ProblemLog(), max_records=2
    )
    return records.self_record, records.parent_record


class RockRidgeNaming:
    """Names of the Rock Ridge tree, whose records are those of the primary tree."""

    mark = " (rockridge)"
    checks_records = False

    def __init__(
        self, view: View, facts: RockRidgeFacts, geometry: Geometry, log: ProblemLog
    ) -> None:
        self._view, self._facts, self._geometry, self._log = view, facts, geometry, log
        self._reader = SystemUseReader(view, geometry.block_size, log)
        self._relocated: dict[int, Directory] = {}  # by LBA, with the directory that holds it now
        self._linked: set[int] = set()

    def name_all(self, directory: Directory, data: bytes, records: list[DirectoryRecord]) -> Named:
        """Return records with their Rock Ridge names, each directory where it belongs.

        A record that is marked as relocated (RE) is left out, and one with a
        link (CL) becomes the directory that the link leads to.
        """
        kept, names = [], []
        for record in records:
            meaning = self._meaning(directory, data, record)
            if meaning.is_relocated and record.flags & FLAG_DIRECTORY:
                self._relocated.setdefault(record.lba, directory)
                continue
            if meaning.child_link is not None:
                record = self._linked_record(directory, record, meaning.child_link)
            kept.append(record)
            if meaning.name is None:
                plain = record.identifier.decode("latin-1")
                names.append(plain.removesuffix(";1").removesuffix("."))
            else:
                names.append(meaning.name)
        return Named(kept, names, usable_names(directory, kept, names, self._log))

    def judge(self, directory: Directory, named: Named) -> None:
        """Nothing: the order is that of the primary tree, and every character is allowed."""

    def finish(self) -> None:
        """Log relocated directories that no link leads to."""
        for lba, directory in self._relocated.items():
            if lba not in self._linked:
                self._log.add(
                    "rockridge-relocation",
                    directory.where,
                    "a relocated directory has no link (CL), so it is not shown",
                    offset=lba * self._geometry.block_size,
                    found=f"directory at LBA {lba}",
                    expected="a record with a link (CL) to it",
                )

    def _meaning(self, directory: Directory, data: bytes, record: DirectoryRecord) -> _Meaning:
        use = system_use_of(data, record)[self._facts.skip :]
        pieces, links = [], {}
        is_relocated = False
        for signature, body in self._reader.entries(
            use, directory.where, directory.offset + record.at
        ):
            if signature == b"NM" and body and not body[0] & _NAME_IS_SELF_OR_PARENT:
                pieces.append(body[1:])
            elif signature in (b"CL", b"PL") and len(body) >= 8:
                links[signature] = parse_both_32(body).value
            elif signature == b"RE":
                is_relocated = True
        name = _decode(b"".join(pieces)) if pieces else None
        return _Meaning(name, links.get(b"CL"), links.get(b"PL"), is_relocated)

    def _linked_record(
        self, directory: Directory, record: DirectoryRecord, lba: int
    ) -> DirectoryRecord:
        """Return ``record`` as the directory at ``lba``, if that is one and links back."""
        offset = lba * self._geometry.block_size
        data = self._view.read(offset, SECTOR_SIZE)
        itself, parent = _first_two(data, self._geometry)
        reason = ""
        if itself is None or itself.lba != lba:
            reason = "there is no directory there"
        elif parent is None or (
            self._meaning(directory, data, parent).parent_link != directory.lba
        ):
            reason = "the directory there does not link back (PL)"
        if reason:
            self._log.add(
                "rockridge-relocation",
                directory.where,
                f"the link (CL) of {record.identifier.decode('latin-1')!r} points to LBA {lba}, "
                f"but {reason}",
                offset=directory.offset + record.at,
                found=f"LBA {lba}",
                expected=f"a directory whose parent link is LBA {directory.lba}",
            )
        if itself is None or itself.lba != lba:
            return record
        self._linked.add(lba)
        return record._replace(
            lba=lba,
            size=itself.size,
            flags=(record.flags | FLAG_DIRECTORY) & ~FLAG_MULTI_EXTENT,
        )


def _decode(name: bytes) -> str:
    """Return a name as text: UTF-8 by common practice, else Latin-1, which loses nothing."""
    try:
        return name.decode("utf-8")
    except UnicodeDecodeError:
        return name.decode("latin-1")
