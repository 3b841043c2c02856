"""How much of a disc one unit takes that has it for itself, mostly told without naming anything.

Names decide how long records and lines of the index are. But the records of a small folder
fit into one sector whatever the names become, and mostly the index ends in the same sector.
Where it does not surely, nothing is told, and the disc has to be laid out.
"""

from __future__ import annotations

import re
from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Sequence
from functools import lru_cache
from typing import NamedTuple

from mediashelf.building.naming.layout import sectors_for
from mediashelf.building.naming.names import (
    DEVICES,
    LONG_NAME,
    HostName,
    assign_long_names,
    assign_short_names,
)
from mediashelf.building.naming.trees import MAX_LEVELS
from mediashelf.building.pages.index_page import DIGEST_DIGITS
from mediashelf.building.pages.page_text import long_name_lines
from mediashelf.building.spread.units import Parts, Unit
from mediashelf.building.tree import DiscFile
from mediashelf.formats.volume import SECTOR_SIZE
from mediashelf.text import count_text

_PLAIN = re.compile(r"[0-9A-Za-z_]{1,8}(\.[0-9A-Za-z_]{1,3})?")  # one name in both trees

# The most that path tables of one pair of sectors hold: 10 bytes of the root, and 8 + 128 of
# each folder (ECMA-119 9.4).
_MOST_FOLDERS = (2 * SECTOR_SIZE - 10) // 136
_RECORD = 34  # bytes of a directory record beside its identifier, at the most (9.1)
_OWN_RECORDS = 68 + 4 * 64  # of a directory and its parent, and of pages and catalog in the root
_SHORT_RECORD = _RECORD + 14  # "SETUPEXE.INF;1"
_NUMBER = 8  # characters that a name can grow by: "_" and a number
_LINE = 8  # bytes of a line beside its text: indent, "= ", CR LF
_LINE_ROOM = 73  # characters of a long name that surely go on one line


# So many children have records in one sector whatever their names are.
_SURELY_ONE_SECTOR = (SECTOR_SIZE - _OWN_RECORDS) // (_RECORD + 2 * LONG_NAME)


class Measured(NamedTuple):
    """The sectors of a disc, and the bytes of its index."""

    sectors: int
    index_size: int


def measure_alone(unit: Unit, empty: Measured) -> Measured | None:
    """Return what a disc with this unit takes, where ``empty`` is one without any.

    The sectors are exact, the bytes of the index (0 for a disc without one) the most that
    they can be. None stands for what is not sure without a layout.
    """
    folders = {
        folder[:depth]
        for folder in (*unit.folders, *(placed.folder for placed in unit.placed))
        for depth in range(1, len(folder) + 1)
    }
    # Children of a folder deeper than that would be moved (ECMA-119 6.8.2.1).
    if (
        unit.has_boot
        or len(folders) > _MOST_FOLDERS
        or max(map(len, folders), default=0) > (MAX_LEVELS - 2)
    ):
        return None
    files = dict(unit.placed)
    below: defaultdict[Parts, list[str]] = defaultdict(list)
    for folder in folders:
        below[folder[:-1]].append(folder[-1])
    for folder in (*folders, ()):
        count = len(below.get(folder, ())) + len(files.get(folder, ()))
        if count <= _SURELY_ONE_SECTOR:
            continue
        names = [*below.get(folder, ()), *(file.name for file in files.get(folder, ()))]
        short = _OWN_RECORDS + _SHORT_RECORD * count
        if max(short, _OWN_RECORDS + sum(map(_most_record, names))) > SECTOR_SIZE:
            return None
    sectors = empty.sectors + 2 * len(folders)
    sectors += sum(sectors_for(content.size) for content in unit.iter_contents())
    if not empty.index_size:
        return Measured(sectors, 0)
    least = most = empty.index_size + len(_sum_line(unit)) - len(_SUM_OF_NOTHING)
    for folder in folders:
        if folder in files or folder not in below:
            parents = (folder[:depth] for depth in range(len(folder)))
            is_lone = all(len(below[one]) + len(files.get(one, ())) == 1 for one in parents)
            low, high = _folder_lines(folder, is_lone=is_lone)
            least += low
            most += high
    for folder, group in files.items():
        for low, high in _file_lines(group, below.get(folder, ())):
            least += low
            most += high
    pages = sectors_for(least)
    if pages != sectors_for(most):
        return None
    return Measured(sectors + pages - sectors_for(empty.index_size), most)


def _most_name(name: str) -> int:
    """Return the most characters of a long name as ASCII; only ASCII is surely one for one."""
    return min(len(name) + _NUMBER, LONG_NAME) if name.isascii() else LONG_NAME * _LIKENESS


_LIKENESS = 16  # more ASCII characters than stand for any other on the index


def _most_record(name: str) -> int:
    return _RECORD + 2 * min(_most_name(name), LONG_NAME)


def _most_lines(characters: int) -> int:
    """Return the most bytes of the lines of a long name."""
    return characters + _LINE * (characters // _LINE_ROOM + 1)


def _folder_lines(folder: Parts, *, is_lone: bool) -> tuple[int, int]:
    """Return the least and the most bytes of lines for a folder; alone its names are sure."""
    if not is_lone:
        longest = sum(_most_name(name) + 1 for name in folder)
        return 4 + 2 * len(folder), 4 + 9 * len(folder) + _most_lines(longest)
    short, long = ("".join(names) for names in zip(*map(_lone_names, folder), strict=True))
    size = 4 + len(short)
    if long.upper() != short:
        size += sum(len(line) + 2 for line in long_name_lines(long, indent=""))
    return size, size


@lru_cache(maxsize=1024)
def _lone_names(name: str) -> tuple[str, str]:
    """Return the part of paths that a folder with nothing beside it is in both trees."""
    host = HostName(name, is_folder=True)
    short, long = assign_short_names([host])[host], assign_long_names([host])[host]
    return f"\\{short}", f"\\{long}"


def _file_lines(files: Sequence[DiscFile], beside: Iterable[str]) -> Iterator[tuple[int, int]]:
    """Yield the least and the most bytes of lines for each file of one folder."""
    capitals = Counter(name.upper() for name in (*beside, *(file.name for file in files)))
    for file in files:
        line = 2 + 12 + 2 + max(13, len(f"{file.own.size:,}")) + 2 + DIGEST_DIGITS + 2
        name = file.name
        is_plain = _PLAIN.fullmatch(name) and name.partition(".")[0].upper() not in DEVICES
        if is_plain and capitals[name.upper()] == 1:
            yield line, line
        else:
            yield line, line + _most_lines(_most_name(name))


def _sum_line(unit: Unit) -> str:
    return f"{count_text(unit.file_count, 'file')}, {unit.size:,} bytes."


_SUM_OF_NOTHING = f"{count_text(0, 'file')}, 0 bytes."
