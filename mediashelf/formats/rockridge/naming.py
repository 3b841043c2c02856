"""Rock Ridge: the names of records, and what else their entries mean.

What the entries mean is as the Linux kernel 6.12 reads them (fs/isofs/rock.c).
Owners, modes and time stamps are not read; links and compressed files are only counted.
"""

from __future__ import annotations

from typing import NamedTuple

from mediashelf.formats.fields import View, parse_both_32
from mediashelf.formats.iso.directories.directory_records import Geometry, system_use_of
from mediashelf.formats.iso.directories.record_columns import DirectoryRecord, RecordColumns
from mediashelf.formats.iso.naming import REPLACEMENT, Directory, Named, usable_names
from mediashelf.formats.problem_log import ProblemLog
from mediashelf.formats.rockridge.announcement import (
    RockRidgeFacts,
    announcing_field,
    first_records,
)
from mediashelf.formats.rockridge.other_contents import OtherContents, rule_for
from mediashelf.formats.rockridge.plain_names import AlikeSurroundings, around_name, names_alike
from mediashelf.formats.rockridge.relocation import Relocations
from mediashelf.formats.rockridge.system_use import SystemUseReader, is_only_name
from mediashelf.formats.volume import FLAG_DIRECTORY, FLAG_MULTI_EXTENT
from mediashelf.text import count_text

_NAME_IS_SELF_OR_PARENT = 0x06  # flags of NM
_MOST_SURROUNDINGS = 10_000  # what is kept of records that are good but for their names


class _Meaning(NamedTuple):
    """What the entries of one record say; links are block numbers."""

    name: str | None = None
    child_link: int | None = None
    parent_link: int | None = None
    is_relocated: bool = False
    other_contents: frozenset[str] = frozenset()  # rules


class RockRidgeNaming:
    """Names of the Rock Ridge tree, whose records are those of the primary tree."""

    mark = " (rockridge)"
    checks_records = False

    def __init__(
        self, view: View, facts: RockRidgeFacts, geometry: Geometry, log: ProblemLog
    ) -> None:
        self._view, self._facts, self._geometry, self._log = view, facts, geometry, log
        self._reader = SystemUseReader(view, geometry.block_size, log)
        # What is wrong with a directory's own records is logged when the walk comes to it.
        self._quiet_reader = SystemUseReader(view, geometry.block_size, ProblemLog())
        self._relocations = Relocations(view, geometry, log, self.mark, self._parent_link)
        self._other_contents = OtherContents()
        # What stands before and after a name, where all of it is good and means nothing else.
        self._surroundings: set[tuple[bytes, bytes]] = set()
        self._alike = AlikeSurroundings()
        # Records with a name (NM), without one, and where the first of these is.
        self._named_count = self._unnamed_count = 0
        self._first_unnamed: tuple[Directory, DirectoryRecord] | None = None

    def name_all(self, directory: Directory, data: bytes, records: RecordColumns) -> Named:
        """Return records with their Rock Ridge names, each directory where it belongs.

        A record that is marked as relocated (RE) is left out, and one with a
        link (CL) becomes the directory that the link leads to.
        """
        self._read_special(directory, data)
        quick = self._quick_names(data, records) if records else None
        if quick is not None:
            self._named_count += len(quick)
            return Named(records, quick, usable_names(directory, records, quick, self._log))
        kept: list[DirectoryRecord] = []
        names: list[str] = []
        skip, known = self._facts.skip, self._surroundings
        for record in records:
            surroundings, quick_name = around_name(system_use_of(data, record)[skip:])
            if surroundings in known or self._differs_in_dates(surroundings):  # as most records
                kept.append(record)
                names.append(_decode(quick_name))
                self._named_count += 1
                continue
            problems = self._log.total
            meaning = self._meaning(directory, data, record, self._reader)
            is_unnamed = meaning.name is None and self._log.total == problems
            if meaning.is_relocated and record.flags & FLAG_DIRECTORY:
                self._relocations.leave_out(directory, record)
                continue
            if meaning.child_link is not None:
                record = self._relocations.linked_record(directory, record, meaning.child_link)
            kept.append(record)
            self._named_count += meaning.name is not None
            if is_unnamed:
                self._unnamed_count += 1
                self._first_unnamed = self._first_unnamed or (directory, record)
            if meaning.name is None:
                plain = record.identifier.decode("latin-1")
                names.append(plain.removesuffix(";1").removesuffix("."))
            else:
                names.append(meaning.name)
            # Each section of a file has the same entries: it counts once.
            is_last = not record.flags & FLAG_MULTI_EXTENT
            for rule in sorted(meaning.other_contents) if is_last else ():
                name = names[-1].replace("/", REPLACEMENT)  # as usable_names has it
                where, offset = directory.child(name), directory.offset + record.at
                self._other_contents.count(rule, where, offset)
        columns = RecordColumns.of(kept)
        return Named(columns, names, usable_names(directory, columns, names, self._log))

    def _differs_in_dates(self, surroundings: tuple[bytes, bytes] | None) -> bool:
        """Whether surroundings are known, and good, but for dates and serial numbers."""
        present = self._alike.find(*surroundings) if surroundings is not None else None
        if surroundings is None or present is None:
            return False
        self._reader.count_alike(present)
        if len(self._surroundings) < _MOST_SURROUNDINGS:
            self._surroundings.add(surroundings)
        return True

    def _quick_names(self, data: bytes, records: RecordColumns) -> list[str] | None:
        """Return the names of a directory in which they stand in one and the same surroundings.

        None where it is not so, or not known whether these mean something else.
        """
        skip = self._facts.skip
        first, last = (
            around_name(system_use_of(data, record)[skip:])[0]
            for record in (records[0], records[-1])
        )
        if first is None or first != last or first not in self._surroundings:
            return None
        return names_alike(data, records, skip, *first)

    def judge(self, directory: Directory, named: Named) -> None:
        """Nothing: the order is that of the primary tree, and every character is allowed."""

    def finish(self) -> None:
        """Log relocated directories that no link leads to, and records that lost their name."""
        self._reader.finish()
        self._other_contents.log_all(self._log)
        if self._first_unnamed is not None and self._unnamed_count < self._named_count:
            self._log_unnamed(*self._first_unnamed)
        self._relocations.finish()

    def _log_unnamed(self, directory: Directory, record: DirectoryRecord) -> None:
        identifier = record.identifier.decode("latin-1")
        self._log.add(
            "rockridge-name-present",
            directory.where,
            f"{count_text(self._unnamed_count, 'record')} without a Rock Ridge name (NM), "
            f"first {identifier!r}, though most have one",
            offset=directory.offset + record.at,
            found="no NM",
            expected="a name in each record",
        )

    def _read_special(self, directory: Directory, data: bytes) -> None:
        """Read the entries of the self and parent records, for what is wrong with them."""
        records = first_records(data, self._geometry)
        itself, parent = records.self_record, records.parent_record
        if itself is not None:
            use = system_use_of(data, itself)
            area = use[self._facts.skip :] if directory.path else announcing_field(use)
            for _ in self._reader.entries(area, directory.where, directory.offset):
                pass
        if parent is not None:
            self._meaning(directory, data, parent, self._reader)

    def _parent_link(
        self, directory: Directory, data: bytes, record: DirectoryRecord
    ) -> int | None:
        return self._meaning(directory, data, record, self._quiet_reader).parent_link

    def _meaning(
        self, directory: Directory, data: bytes, record: DirectoryRecord, reader: SystemUseReader
    ) -> _Meaning:
        use = system_use_of(data, record)[self._facts.skip :]
        surroundings, quick_name = around_name(use)
        if surroundings in self._surroundings:
            return _Meaning(_decode(quick_name))  # as most records of most discs
        problems = reader.log.total
        pieces, links, contents = [], {}, set[str]()
        is_relocated = False
        for signature, body in reader.entries(use, directory.where, directory.offset + record.at):
            if signature == b"NM" and body and not body[0] & _NAME_IS_SELF_OR_PARENT:
                pieces.append(body[1:])
            elif signature in (b"CL", b"PL") and len(body) >= 8:
                links[signature] = parse_both_32(body).value
            elif signature == b"RE":
                is_relocated = True
            elif rule := rule_for(signature, body):
                contents.add(rule)
        name = _decode(b"".join(pieces)) if pieces else None
        if name is not None and "\0" in name:
            reader.log.add(
                "rockridge-entry",
                directory.where,
                f"the name {name!r} has zero bytes",
                offset=directory.offset + record.at,
                found=repr(name),
                expected="a name without them",
            )
        if (
            surroundings
            and pieces == [quick_name]
            and reader.log.total == problems
            and is_only_name(use, len(surroundings[0]))
        ):
            if len(self._surroundings) < _MOST_SURROUNDINGS:
                self._surroundings.add(surroundings)
            self._alike.learn(use, *surroundings)
        moved = links.get(b"CL"), links.get(b"PL"), is_relocated
        return _Meaning(name, *moved, frozenset(contents))


def _decode(name: bytes) -> str:
    """Return a name as text: UTF-8 by common practice, else Latin-1, which loses nothing."""
    try:
        return name.decode("utf-8")
    except UnicodeDecodeError:
        return name.decode("latin-1")
