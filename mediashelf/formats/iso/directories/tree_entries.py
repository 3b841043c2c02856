"""From the records of one directory to entries: what one record says, or several together."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from itertools import repeat
from typing import Any, TypeVar

from mediashelf.formats.entries import Folder
from mediashelf.formats.iso.directories.directory_records import DirectoryRecords, is_interleaved
from mediashelf.formats.iso.directories.record_columns import BodyReader, DirectoryRecord
from mediashelf.formats.iso.naming import Directory, Named
from mediashelf.formats.volume import FLAG_DIRECTORY, FLAG_MULTI_EXTENT, Entry, Extent
from mediashelf.sequences import Shifted

_IS_DIRECTORY = bytes([flags & FLAG_DIRECTORY != 0 for flags in range(256)])

_Value = TypeVar("_Value")
_new: Callable[..., Any] = tuple.__new__


def directory_mask(flags: bytes) -> bytes:
    """Return a one for each record of a directory and a zero for the others."""
    return flags.translate(_IS_DIRECTORY)


def plain_folder(directory: Directory, named: Named) -> Folder:
    """Return the entries of a directory in which every file is one extent."""
    records = named.records
    return Folder(
        directory.path,
        named.names,
        named.identifiers,
        records.sizes,
        directory_mask(records.flags),
        records.lbas,
        None,
        records.dates,
        records.flags,
        Shifted(records.places, directory.offset),
    )


def joined_entries(directory: Directory, named: Named, data: bytes) -> Iterator[tuple[Entry, bool]]:
    """Yield each entry, and whether it is whole, where a file can have several sections.

    A file whose last section is missing is not whole. An interleaved file has no
    extents, because its bytes are not where one extent would say. ``data`` are
    the bytes of the directory.
    """
    sections: list[Entry] = []
    for record, identifier, name in zip(*named, strict=True):
        entry = _entry(directory, record, identifier, name)
        if is_interleaved(data, record):
            entry = entry._replace(extents=())
        if sections and (entry.is_directory or sections[0].identifier != identifier):
            yield _joined(sections), False
            sections = []
        sections.append(entry)
        if entry.is_directory or not record.flags & FLAG_MULTI_EXTENT:
            yield _joined(sections), not record.flags & FLAG_MULTI_EXTENT
            sections = []
    if sections:
        yield _joined(sections), False


def _joined(sections: list[Entry]) -> Entry:
    """Return the one file that consecutive sections make; its flags are those of the first."""
    if len(sections) == 1:
        return sections[0]
    return sections[0]._replace(
        size=sum(section.size for section in sections),
        extents=tuple(extent for section in sections for extent in section.extents),
    )


def _entry(directory: Directory, record: DirectoryRecord, identifier: str, name: str) -> Entry:
    """Return the entry that one record describes."""
    return Entry(
        f"{directory.path}/{name}",
        identifier,
        record.size,
        bool(record.flags & FLAG_DIRECTORY),
        (Extent(record.lba, record.size),) if record.size else (),
        record.date,
        record.flags,
        directory.offset + record.at,
    )


def _shared(known: tuple[_Value, ...], found: tuple[_Value, ...]) -> Iterable[_Value]:
    """Return what was found, as the objects that are known already where they are equal."""
    if known == found:
        return known
    pairs = zip(known, found, strict=True)
    return [one if one == other else other for one, other in pairs]


_MOST_RECORDS = 100_000
"""Records that are kept: they take memory until the other tree is read."""


class SharedEntries:
    """Trees of a disc name the same files: what they have in common is kept once.

    ``shares_records`` tells that Rock Ridge gives the records of the primary tree other names.
    """

    def __init__(self, *, shares_records: bool = False) -> None:
        self._by_lba: dict[int, Entry] = {}
        self.bodies = BodyReader()
        self.shares_records = shares_records
        self._records: dict[int, tuple[int, DirectoryRecords]] = {}
        self._records_left = _MOST_RECORDS

    def forget(self) -> None:
        """Let go of what only the reading of the trees needed."""
        self.bodies.forget()
        self._records.clear()

    def entries(self, folder: Folder) -> list[Entry]:
        """Return the entries of a folder, made of values that are known already.

        A tuple of extents, the numbers in it and a path take half of an entry's memory.
        """
        if folder.extents is not None:
            return folder.entries()
        known = self._by_lba
        twins = list(map(known.get, folder.lbas))
        if not any(twins):
            entries = folder.entries()
            known.update((lba, e) for lba, e in zip(folder.lbas, entries, strict=True) if e.size)
            return entries
        return self._twin_entries(folder, twins) or self._one_by_one(folder, twins)

    def _twin_entries(self, folder: Folder, twins: Sequence[Entry | None]) -> list[Entry]:
        """Return the entries of a folder in which each has a twin; none where one does not."""
        if not all(twins) or 0 in folder.sizes:
            return []
        known = zip(*filter(None, twins), strict=True)
        paths, identifiers, sizes, _, extents, dates, _, places = known
        if sizes != tuple(folder.sizes):
            return []
        columns = (
            _shared(paths, tuple(folder.iter_paths())),
            _shared(identifiers, tuple(folder.identifiers)),
            sizes,
            map(bool, folder.are_folders),
            extents,
            _shared(dates, tuple(folder.dates)),
            folder.flags,
            _shared(places, tuple(folder.record_offsets)),
        )
        entries = list(map(_new, repeat(Entry), zip(*columns, strict=True)))
        self._by_lba.update(zip(folder.lbas, entries, strict=True))
        return entries

    def _one_by_one(self, folder: Folder, twins: Sequence[Entry | None]) -> list[Entry]:
        """Return the entries of a folder in which some have a twin."""
        entries = []
        for entry, twin in zip(folder.entries(), twins, strict=True):
            if not entry.size:
                entries.append(entry)
                continue
            if twin is not None and twin.size == entry.size and twin.extents == entry.extents:
                entry = _new(Entry, _shared(twin, entry))
            self._by_lba[entry.extents[0].lba] = entry
            entries.append(entry)
        return entries

    def keep_records(self, directory: Directory, records: DirectoryRecords) -> None:
        """Keep the records of a directory for another tree that is made of the same."""
        count = len(records.children)
        if self.shares_records and self._records_left >= count:
            self._records_left -= count
            self._records[directory.offset] = directory.size, records

    def take_records(self, directory: Directory, most: int) -> DirectoryRecords | None:
        """Return what was kept of a directory, once, unless there are ``most`` records or more."""
        size, records = self._records.pop(directory.offset, (-1, None))
        if records is None or size != directory.size or len(records.children) + 2 >= most:
            return None
        return records
