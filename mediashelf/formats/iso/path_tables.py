"""Path tables: a disc's second list of its directories (ECMA-119 9.4), read and compared.

A walk over directory records can't see that a record is missing. The path
tables, of which there are two and more, remember every directory, so they tell.
"""

from __future__ import annotations

import struct
from collections.abc import Sequence
from typing import NamedTuple

from mediashelf.formats.fields import View
from mediashelf.formats.iso.directories.directory_records import SELF_IDENTIFIER, Geometry
from mediashelf.formats.iso.naming import Directory
from mediashelf.formats.iso.volume_descriptor import PathTablePlaces
from mediashelf.formats.problem_log import ProblemLog

_MOST_DIRECTORIES = 65_535  # 9.4.4: parent numbers have 16 bits
_LARGEST_TABLE = 16 << 20  # 65,535 records of the longest identifier fit
_ORDERS = {"L": struct.Struct("<BBIH"), "M": struct.Struct(">BBIH")}
_FIXED_SIZE = 8


class PathTableRecord(NamedTuple):
    """One directory; its number is its place in the table, from 1 (9.4).

    ``lba`` is where its records start: after the extended attribute record, if any.
    """

    lba: int
    parent_number: int
    identifier: bytes


class PathTable(NamedTuple):
    """One table: its type (``L`` or ``M``), its place and its records."""

    order: str
    offset: int
    records: list[PathTableRecord]


def parse_path_table(
    data: bytes, order: str, *, offset: int, where: str, log: ProblemLog
) -> list[PathTableRecord]:
    """Return the records of a table of type ``L`` (low byte first) or ``M`` (high byte first).

    Logs the first record that is not valid, and stops there.
    """
    records: list[PathTableRecord] = []
    unpack = _ORDERS[order].unpack_from
    at, end = 0, len(data)
    while at < end:
        problem = ""
        if at + _FIXED_SIZE > end:
            problem = "a record is cut off by the end of the table"
        else:
            size, attribute, lba, parent = unpack(data, at)
            number = len(records) + 1
            if size == 0:
                problem = "a record has no identifier"
            elif at + _FIXED_SIZE + size > end:
                problem = f"an identifier of {size:,} bytes extends past the end of the table"
            elif not 0 < parent <= number or (parent == number and number > 1):
                problem = f"record {number} names record {parent} as its parent"
        if problem:
            log.add(
                "path-table-records",
                where,
                f"{problem}; the rest of the table was not read",
                offset=offset + at,
                found=data[at : at + _FIXED_SIZE].hex(" "),
                expected="identifier length, extent, number of an earlier record",
            )
            break
        identifier = data[at + _FIXED_SIZE : at + _FIXED_SIZE + size]
        records.append(PathTableRecord(lba + attribute, parent, identifier))
        at += _FIXED_SIZE + size
        if size % 2:
            if data[at : at + 1].strip(b"\0"):
                log.add(
                    "reserved-field-zero",
                    where,
                    f"the padding byte after record {number} is not zero",
                    offset=offset + at,
                    found=f"{data[at]:#04x}",
                    expected="0x00",
                )
            at += 1
    return records


def _read_path_table(
    view: View, order: str, *, offset: int, size: int, mark: str, log: ProblemLog
) -> PathTable:
    """Return the table at byte ``offset``; ``mark`` tells trees apart in findings."""
    where = f"path table {order}{mark}"
    data = view.read(offset, min(size, _LARGEST_TABLE))
    if len(data) < size:
        log.add(
            "path-table-readable",
            where,
            f"only {len(data):,} of {size:,} bytes of the path table were read",
            offset=offset,
            length=size,
            found=len(data),
            expected=size,
        )
    return PathTable(
        order, offset, parse_path_table(data, order, offset=offset, where=where, log=log)
    )


def log_path_table_problems(
    view: View,
    places: PathTablePlaces,
    size: int,
    geometry: Geometry,
    directories: Sequence[Directory] | None,
    mark: str,
    log: ProblemLog,
) -> None:
    """Read all path tables of a volume; compare them with each other and with its tree.

    ``directories`` is None where the walk did not get through the tree.
    """
    tables = [
        _read_path_table(
            view, order, offset=lba * geometry.block_size, size=size, mark=mark, log=log
        )
        for order, lba in (
            ("L", places.type_l),
            ("M", places.type_m),
            ("L", places.optional_type_l),
            ("M", places.optional_type_m),
        )
        if lba
    ]
    if len({table.order for table in tables}) < len(_ORDERS):
        log.add(
            "path-table-readable",
            f"volume{mark}",
            "the descriptor does not name both path tables",
            found=", ".join(f"type {table.order}" for table in tables) or "none",
            expected="type L and type M",
        )
    if tables:
        _log_differing_copies(tables, mark, log)
        _log_disorder(tables[0], mark, log)
        if directories is not None:
            _log_tree_differences(tables[0], directories, mark, log)


def _log_differing_copies(tables: Sequence[PathTable], mark: str, log: ProblemLog) -> None:
    """Log where another table differs from the first."""
    first, *others = tables
    for other in others:
        if other.records == first.records:
            continue
        shared = min(len(first.records), len(other.records))
        number = next(
            (index for index in range(shared) if first.records[index] != other.records[index]),
            shared,
        )
        log.add(
            "path-tables-agree",
            f"path table {other.order}{mark}",
            f"the path tables differ from record {number + 1} on",
            offset=other.offset,
            found=_shown(other, number),
            expected=_shown(first, number),
        )


def _shown(table: PathTable, index: int) -> str:
    if index >= len(table.records):
        return f"{len(table.records):,} records"
    lba, parent, identifier = table.records[index]
    return f"LBA {lba}, parent {parent}, {identifier.decode('latin-1')!r}"


def _log_disorder(table: PathTable, mark: str, log: ProblemLog) -> None:
    """Log a table that is not sorted by parent and then by identifier (6.9.1)."""
    keys = [record[1:] for record in table.records[1:]]
    if keys == sorted(keys):
        return
    number = next(index for index in range(1, len(keys)) if keys[index] < keys[index - 1])
    log.add(
        "path-table-order",
        f"path table {table.order}{mark}",
        f"record {number + 2} is not in order",
        offset=table.offset,
        found=_shown(table, number + 1),
        expected=f"something after {_shown(table, number)}",
    )


def _log_tree_differences(
    table: PathTable, directories: Sequence[Directory], mark: str, log: ProblemLog
) -> None:
    """Log directories that only the table or only the tree has.

    A directory is known by its parent's extent, its own extent and its
    identifier, so that one lost directory is one finding, and so is each one
    below it.
    """
    records = table.records
    in_table = dict.fromkeys(
        (records[record.parent_number - 1].lba, record.lba, record.identifier) for record in records
    )
    in_tree = {
        (directories[directory.parent].lba, directory.lba, directory.identifier): directory
        for directory in directories[:_MOST_DIRECTORIES]
    }
    if in_table.keys() == in_tree.keys():
        return
    for key in in_table:
        if key in in_tree:
            continue
        parent_lba, lba, identifier = key
        log.add(
            "path-table-agrees",
            f"LBA {lba}{mark}",
            "the path table lists a directory that has no directory record; "
            "it may be lost with its contents",
            offset=table.offset,
            found=f"no record for {_readable(identifier)} in the directory at LBA {parent_lba}",
            expected="the same directories in path table and tree",
        )
    for key, directory in in_tree.items():
        if key not in in_table:
            log.add(
                "path-table-agrees",
                directory.where,
                "the path table does not list this directory",
                offset=directory.offset,
                found=f"no path table record with LBA {directory.lba} and this name",
                expected="the same directories in path table and tree",
            )


def _readable(identifier: bytes) -> str:
    if identifier == SELF_IDENTIFIER:
        return "the root"
    wide = identifier.startswith(b"\0") and len(identifier) % 2 == 0
    return repr(identifier.decode("utf-16-be" if wide else "latin-1", "replace"))
