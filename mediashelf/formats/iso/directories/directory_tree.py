"""The walk over one directory tree, level by level; bounded before it starts."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator
from itertools import compress
from typing import NamedTuple

from mediashelf.formats.entries import Entries, Folder
from mediashelf.formats.fields import View
from mediashelf.formats.iso.directories.directory_checks import RecordChecks
from mediashelf.formats.iso.directories.directory_reading import (
    DEFAULT_LIMITS,
    DirectoryReader,
    Limits,
)
from mediashelf.formats.iso.directories.directory_records import (
    SELF_IDENTIFIER,
    DirectoryRecords,
    Geometry,
)
from mediashelf.formats.iso.directories.record_parsing import parse_directory
from mediashelf.formats.iso.directories.tree_entries import (
    SharedEntries,
    directory_mask,
    joined_entries,
    plain_folder,
)
from mediashelf.formats.iso.naming import Directory, Named, Naming, log_duplicates
from mediashelf.formats.problem_log import ProblemLog
from mediashelf.formats.volume import Entry, Extent


class DirectoryTree(NamedTuple):
    """What a walk found.

    ``directories`` begins with the root and goes level by level. ``furthest`` is
    the largest byte offset that an extent reaches. ``is_complete`` is False when
    damage or a bound kept something from being read, ``was_bounded`` is True when
    it was a bound.
    """

    entries: Entries
    directories: tuple[Directory, ...]
    furthest: int
    is_complete: bool
    was_bounded: bool = False


def walk_tree(
    view: View,
    root: Extent,
    geometry: Geometry,
    naming: Naming,
    log: ProblemLog,
    limits: Limits = DEFAULT_LIMITS,
    shared: SharedEntries | None = None,
    take: Callable[[Folder], object] | None = None,
) -> DirectoryTree:
    """Return all entries below ``root``, directory by directory, parents before children.

    ``shared`` are those of other trees of the disc, where it has any. ``take`` is given each
    folder, which is not kept then.
    Never raises for damage. A block is read as part of one directory only, so
    loops end where they close, and the work is bounded by the size of the view.
    """
    return _Walk(view, geometry, naming, log, limits, shared, take).run(root)


class _Walk:
    """The state of one walk."""

    def __init__(
        self,
        view: View,
        geometry: Geometry,
        naming: Naming,
        log: ProblemLog,
        limits: Limits,
        shared: SharedEntries | None,
        take: Callable[[Folder], object] | None,
    ) -> None:
        self._geometry, self._naming = geometry, naming
        # Records that another tree shares with this one are logged there.
        self._log = log
        self._record_log = log if naming.checks_records else ProblemLog()
        self._limits, self._shared = limits, shared
        self._reader = DirectoryReader(view, geometry.block_size, limits, log, self._record_log)
        self._checks = RecordChecks(geometry, self._record_log)
        self._folders: list[Folder] = []
        self._keep = take or self._folders.append
        self._entry_count = 0
        self._directories: list[Directory] = []
        self._text_left = limits.text_characters
        self._is_complete = True
        self._furthest = 0

    def run(self, root: Extent) -> DirectoryTree:
        offset = root.lba * self._geometry.block_size
        mark = self._naming.mark
        queue = deque([Directory("", mark, SELF_IDENTIFIER, root.lba, root.size, offset, 0, 1)])
        while queue:
            directory = queue.popleft()
            data = self._reader.read(directory)
            if data is None:
                continue
            self._directories.append(directory)
            named = self._take(directory, data)
            queue.extend(self._children(directory, named))
            if self._is_over_limit(directory, named):
                break
        self._naming.finish()
        shared = self._shared
        return DirectoryTree(
            Entries(self._folders, Folder.entries if shared is None else shared.entries),
            tuple(self._directories),
            self._furthest,
            self._is_complete and self._reader.is_complete,
            self._reader.was_bounded,
        )

    def _take(self, directory: Directory, data: bytes) -> Named:
        """Parse, name and check one directory, and keep its entries."""
        records = self._parse(directory, data)
        self._furthest = max(self._furthest, records.furthest)
        self._is_complete &= records.is_complete
        named = self._naming.name_all(directory, data, records.children)
        if self._naming.checks_records:
            parent = self._directories[directory.parent]
            self._checks.judge(directory, parent, data, records, named)
            log_duplicates(directory, named, self._log)
        self._naming.judge(directory, named)
        self._text_left -= (len(directory.path) + 1) * len(named.names)
        if records.has_oddities or records.has_sections:
            joined = list(joined_entries(directory, named, data))
            for entry, is_whole in joined:
                if not is_whole:
                    self._log_unfinished(directory, entry)
            folder = Folder.of(directory.path, [entry for entry, _ in joined])
        else:
            folder = plain_folder(directory, named)
        self._keep(folder)
        self._entry_count += len(folder.names)
        return named

    def _parse(self, directory: Directory, data: bytes) -> DirectoryRecords:
        """Parse a directory, unless the tree that has the same records did."""
        most = self._limits.entries - self._entry_count + 2
        shared = self._shared
        if shared is not None and not self._naming.checks_records:
            records = shared.take_records(directory, most)
            if records is not None:
                return records
        records = parse_directory(
            data,
            offset=directory.offset,
            where=directory.where,
            geometry=self._geometry,
            log=self._record_log,
            max_records=most,
            reader=shared.bodies if shared is not None else None,
        )
        if shared is not None and not self._naming.mark and len(records.children) + 2 < most:
            shared.keep_records(directory, records)
        return records

    def _children(self, directory: Directory, named: Named) -> Iterator[Directory]:
        """Yield the directories of a directory, as far as the walk goes down."""
        own_number = len(self._directories) - 1
        mask = directory_mask(named.records.flags)
        for index in compress(range(len(mask)), mask):
            record, name = named.records[index], named.names[index]
            path = f"{directory.path}/{name}"
            child = Directory(
                path,
                self._naming.mark,
                record.identifier,
                record.lba,
                record.size,
                record.lba * self._geometry.block_size,
                own_number,
                directory.depth + 1,
            )
            if child.depth > self._limits.depth:
                self._reader.stop_at(child, f"the tree is deeper than {self._limits.depth} levels")
            elif len(path) > self._limits.path_characters:
                self._reader.stop_at(
                    child, f"the path is longer than {self._limits.path_characters:,}"
                )
            else:
                yield child

    def _is_over_limit(self, directory: Directory, named: Named) -> bool:
        """Log and tell that the walk has enough."""
        if self._entry_count >= self._limits.entries:
            self._reader.stop_at(
                directory, f"the tree has {self._limits.entries:,} entries or more"
            )
            return True
        if self._text_left < 0:
            self._reader.stop_at(directory, "the tree's paths together are too long")
            return True
        return False

    def _log_unfinished(self, directory: Directory, entry: Entry) -> None:
        self._is_complete = False
        self._record_log.add(
            "sections-complete",
            entry.path + directory.mark,
            "the file's last section is missing",
            offset=entry.record_offset + 25,
            found="file flags with bit 7 set, and no further section",
        )
