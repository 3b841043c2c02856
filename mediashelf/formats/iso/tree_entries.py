"""From the records of one directory to entries: what one record says, or several together."""

from __future__ import annotations

from collections.abc import Iterator

from mediashelf.formats.iso.directory_checks import is_interleaved
from mediashelf.formats.iso.directory_records import DirectoryRecord, DirectoryRecords
from mediashelf.formats.iso.naming import Directory, Named
from mediashelf.formats.volume import FLAG_DIRECTORY, FLAG_MULTI_EXTENT, Entry, Extent


def plain_entries(directory: Directory, named: Named) -> list[Entry]:
    """Return the entries of a directory in which every file is one extent.

    The same as :func:`_entry` for each, written out because most of the time of
    listing a disc is spent here.
    """
    new, offset, prefix = tuple.__new__, directory.offset, f"{directory.path}/"
    return [
        new(
            Entry,
            (
                prefix + name,
                identifier,
                size,
                flags & FLAG_DIRECTORY != 0,
                (new(Extent, (lba, size, 0)),) if size else (),
                date,
                flags,
                offset + at,
            ),
        )
        for (at, _, lba, size, flags, date), identifier, name in zip(*named, strict=True)
    ]


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
