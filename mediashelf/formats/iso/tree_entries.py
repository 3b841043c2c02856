"""From the records of one directory to entries: what one record says, or several together."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from itertools import repeat
from typing import Any, TypeVar

from mediashelf.formats.iso.directory_checks import is_interleaved
from mediashelf.formats.iso.directory_records import DirectoryRecord, DirectoryRecords
from mediashelf.formats.iso.naming import Directory, Named
from mediashelf.formats.volume import FLAG_DIRECTORY, FLAG_MULTI_EXTENT, Entry, Extent

_new: Callable[..., Any] = tuple.__new__
_IS_DIRECTORY = [flags & FLAG_DIRECTORY != 0 for flags in range(256)]

_Value = TypeVar("_Value")


def plain_entries(directory: Directory, named: Named) -> list[Entry]:
    """Return the entries of a directory in which every file is one extent.

    The same as :func:`_entry` for each, column by column, because most of the time of
    listing a disc is spent here.
    """
    if not named.records:
        return []
    places, _, lbas, sizes, flags, dates = zip(*named.records, strict=True)
    extents: Iterable[tuple[Extent, ...]] = zip(_extents(lbas, sizes), strict=True)
    if 0 in sizes:
        extents = [one if size else () for one, size in zip(extents, sizes, strict=True)]
    return _entries(
        _paths(directory, named),
        named.identifiers,
        sizes,
        map(_IS_DIRECTORY.__getitem__, flags),
        extents,
        dates,
        flags,
        map(directory.offset.__add__, places),
    )


def _paths(directory: Directory, named: Named) -> list[str]:
    prefix = f"{directory.path}/"
    return [prefix + name for name in named.names]


def _extents(lbas: Iterable[int], sizes: Iterable[int]) -> Iterator[Extent]:
    return map(_new, repeat(Extent), zip(lbas, sizes, repeat(0)))


def _entries(*columns: Iterable[Any]) -> list[Entry]:
    """Return entries from the columns of their fields, in the order of these."""
    return list(map(_new, repeat(Entry), zip(*columns, strict=True)))


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
    """Entries of several trees name the same files: what they have in common is kept once.

    Knows the entries of the trees that were read before, by the place of their bytes.
    ``shares_records`` tells that Rock Ridge gives the records of the primary tree other names.
    """

    def __init__(self, *, shares_records: bool = False) -> None:
        self._by_lba: dict[int, Entry] = {}
        self.shares_records = shares_records
        self._records: dict[int, tuple[int, DirectoryRecords]] = {}
        self._records_left = _MOST_RECORDS

    def plain_entries(self, directory: Directory, named: Named) -> list[Entry]:
        """Return the same entries as :func:`plain_entries`, made of values that are known already.

        A tuple of extents, the numbers in it and a path take half of an entry's memory.
        """
        known = self._by_lba
        twins = [known.get(record[2]) for record in named.records]
        if not any(twins):
            entries = plain_entries(directory, named)
            known.update(
                (record[2], e) for record, e in zip(named.records, entries, strict=True) if e.size
            )
            return entries
        return self._twin_entries(directory, named, twins) or self._one_by_one(directory, named)

    def _twin_entries(
        self, directory: Directory, named: Named, twins: Sequence[Entry | None]
    ) -> list[Entry]:
        """Return the entries of a directory in which each has a twin; none where one does not."""
        places, _, lbas, sizes, flags, dates = zip(*named.records, strict=True)
        if not all(twins) or 0 in sizes:
            return []
        known = zip(*filter(None, twins), strict=True)
        paths, identifiers, their_sizes, _, extents, their_dates, _, their_places = known
        if their_sizes != sizes:
            return []
        offset = directory.offset
        entries = _entries(
            _shared(paths, tuple(_paths(directory, named))),
            _shared(identifiers, tuple(named.identifiers)),
            their_sizes,
            map(_IS_DIRECTORY.__getitem__, flags),
            extents,
            _shared(their_dates, dates),
            flags,
            _shared(their_places, tuple([offset + at for at in places])),
        )
        self._by_lba.update(zip(lbas, entries, strict=True))
        return entries

    def _one_by_one(self, directory: Directory, named: Named) -> list[Entry]:
        known, new = self._by_lba, tuple.__new__
        offset, prefix = directory.offset, f"{directory.path}/"
        entries: list[Entry] = []
        for (at, _, lba, size, flags, date), identifier, name in zip(*named, strict=True):
            at += offset
            path = prefix + name
            is_directory = flags & FLAG_DIRECTORY != 0
            if not size:
                entries.append(new(Entry, (path, identifier, 0, is_directory, (), date, flags, at)))
                continue
            twin = known.get(lba)
            if twin is not None and twin[2] == size and twin[4] == ((lba, size, 0),):
                # The twin's own objects where they are equal: that is what is saved.
                twin_path, twin_identifier, size, _, extents, twin_date, _, twin_at = twin
                path = twin_path if twin_path == path else path
                identifier = twin_identifier if twin_identifier == identifier else identifier
                date = twin_date if twin_date == date else date
                at = twin_at if twin_at == at else at
            else:
                extents = (new(Extent, (lba, size, 0)),)
            entry = new(Entry, (path, identifier, size, is_directory, extents, date, flags, at))
            known[lba] = entry
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
