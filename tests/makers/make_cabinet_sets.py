"""Maker of cabinets in several parts: a plain cabinet is cut, as setup disks were filled.

It shares no code with the package. cabextract 1.9 reads what is made here, but for files that
begin in a part behind one that goes on, and cuts between blocks: it expects a cut block.
"""

from __future__ import annotations

import struct
from collections.abc import Sequence
from itertools import pairwise
from typing import NamedTuple

from make_files import cabinet_checksum

FROM_BEFORE, TO_NEXT, BOTH_WAYS = 0xFFFD, 0xFFFE, 0xFFFF


class Piece(NamedTuple):
    """What a part has of a data block; ``size`` is 0 where the next part has the rest."""

    folder: int
    start: int  # of the whole block in the expanded folder
    end: int
    stored: bytes
    size: int


class Recorded(NamedTuple):
    size: int
    offset: int
    folder: int
    stamps: bytes
    name: bytes


def split_cabinet(
    data: bytes,
    cuts: Sequence[int],
    names: Sequence[str],
    *,
    set_id: int = 77,
    first_index: int = 0,
) -> dict[str, bytes]:
    """Cut a plain cabinet without reserves where ``cuts`` bytes of compressed data are written."""
    kinds, files, pieces = _read(data)
    parts: list[list[Piece]] = []
    edges = [0, *cuts, sum(len(one.stored) for one in pieces)]
    for low, high in pairwise(edges):
        parts.append([])
        at = 0
        for one in pieces:
            stored = one.stored[max(low - at, 0) : max(high - at, 0)]
            at += len(one.stored)
            if stored:
                parts[-1].append(one._replace(stored=stored, size=one.size if at <= high else 0))
    made = {}
    for number, name in enumerate(names):
        neighbours = [names[number - 1] if number else "", *names[number + 1 : number + 2]]
        head = (set_id, first_index + number)
        made[name] = _write(parts, number, files, kinds, neighbours, head)
    return made


def _read(data: bytes) -> tuple[list[int], list[Recorded], list[Piece]]:
    files_at, folder_count, file_count = (
        *struct.unpack_from("<I", data, 16),
        *struct.unpack_from("<HH", data, 26),
    )
    kinds, files, pieces = [], [], []
    for index in range(folder_count):
        at, blocks, kind = struct.unpack_from("<IHH", data, 36 + 8 * index)
        kinds.append(kind)
        expanded = 0
        for _ in range(blocks):
            stored, size = struct.unpack_from("<HH", data, at + 4)
            body = data[at + 8 : at + 8 + stored]
            pieces.append(Piece(index, expanded, expanded + size, body, size))
            at, expanded = at + 8 + stored, expanded + size
    at = files_at
    for _ in range(file_count):
        size, offset, folder = struct.unpack_from("<IIH", data, at)
        end = data.index(b"\0", at + 16)
        files.append(Recorded(size, offset, folder, data[at + 10 : at + 16], data[at + 16 : end]))
        at = end + 1
    return kinds, files, pieces


def _holds(part: list[Piece], file: Recorded) -> bool:
    is_empty = not file.size
    return any(
        one.folder == file.folder
        and one.start < file.offset + file.size + is_empty
        and file.offset < one.end + is_empty
        for one in part
    )


def _write(
    parts: list[list[Piece]],
    number: int,
    files: list[Recorded],
    kinds: list[int],
    neighbours: list[str],
    head: tuple[int, int],
) -> bytes:
    own = parts[number]
    folders = sorted({one.folder for one in own})
    records, count, follows = b"", 0, len(neighbours) > 1
    for file in files:
        holders = [place for place, part in enumerate(parts) if _holds(part, file)]
        if not file.size:
            holders = holders[-1:]  # it has no bytes that could go on
        if number not in holders:
            continue
        before, after = holders[0] < number, holders[-1] > number
        index = {(True, True): BOTH_WAYS, (True, False): FROM_BEFORE, (False, True): TO_NEXT}.get(
            (before, after), folders.index(file.folder)
        )
        records += struct.pack("<IIH", file.size, file.offset, index) + file.stamps
        records += file.name + b"\0"
        count += 1
    extra = b"".join(name.encode() + b"\0Setup disk\0" for name in neighbours if name)
    files_at = 36 + len(extra) + 8 * len(folders)
    area, table = b"", b""
    for folder in folders:
        blocks = [one for one in own if one.folder == folder]
        at = files_at + len(records) + len(area)
        table += struct.pack("<IHH", at, len(blocks), kinds[folder])
        for one in blocks:
            rest = struct.pack("<HH", len(one.stored), one.size)
            checksum = cabinet_checksum(rest, cabinet_checksum(one.stored))
            area += struct.pack("<I", checksum) + rest + one.stored
    total = files_at + len(records) + len(area)
    sizes = b"MSCF", 0, total, 0, files_at, 0, 3, 1
    flags = (number > 0) | follows << 1
    header = struct.pack("<4sIIIIIBBHHHHH", *sizes, len(folders), count, flags, *head)
    return header + extra + table + records + area
