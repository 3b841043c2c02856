"""From the records of one directory to entries: what one record says, or several together."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from mediashelf.formats.iso.directory_checks import is_interleaved
from mediashelf.formats.iso.directory_records import DirectoryRecord
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


class SharedEntries:
    """Entries of several trees name the same files: what they have in common is kept once.

    Knows the entries of the trees that were read before, by the place of their bytes.
    """

    def __init__(self) -> None:
        self._by_lba: dict[int, Entry] = {}

    def share(self, entries: Iterable[Entry]) -> list[Entry]:
        """Return the same entries, made of values that are there already where these are equal.

        A tuple of extents, the numbers in it and a path take half of an entry's memory.
        """
        known, new = self._by_lba, tuple.__new__
        shared: list[Entry] = []
        for entry in entries:
            path, identifier, size, is_directory, extents, date, flags, at = entry
            if not extents:
                shared.append(entry)
                continue
            lba = extents[0].lba
            twin = known.get(lba)
            if twin is not None and twin.extents == extents and twin.size == size:
                entry = new(
                    Entry,
                    (
                        twin.path if twin.path == path else path,
                        twin.identifier if twin.identifier == identifier else identifier,
                        twin.size,
                        is_directory,
                        twin.extents,
                        twin.date if twin.date == date else date,
                        flags,
                        twin.record_offset if twin.record_offset == at else at,
                    ),
                )
                lba = twin.extents[0].lba
            known[lba] = entry
            shared.append(entry)
        return shared
