"""RAR archives in several files: what the first headers say, and whether another file follows.

Flags and block kinds as libarchive's source has them (3.7.4); names of the files are common
practice: ``NAME.part1.rar`` and on, or ``NAME.rar``, ``NAME.r00`` and on.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import suppress
from typing import NamedTuple

from mediashelf.errors import FormatError
from mediashelf.formats.fields import View
from mediashelf.formats.packed.archive_headers import (
    RAR5_ENCRYPTION,
    RAR5_END,
    RAR5_FILE,
    RAR5_MAIN,
    RAR5_SERVICE,
    RAR5_SIGNATURE_SIZE,
    RAR_END,
    RAR_FILE,
    RAR_SIGNATURE_SIZE,
    Numbers,
    parse_rar5_block,
    rar5_header_size,
)

_RAR4 = b"Rar!\x1a\x07\0"
_RAR5 = b"Rar!\x1a\x07\x01\0"
_PART, _NAMES_HIDDEN, _IS_FIRST = 0x0001, 0x0080, 0x0100  # of the main header
_SPLIT_BEFORE = 0x0001  # of the header of a member
_SPLIT_AFTER, _HAS_DATA, _MORE_FOLLOW = 0x0002, 0x8000, 0x0001
_RAR5_NUMBER, _RAR5_SPLIT_AFTER = 0x0002, 0x10
_MOST_BLOCKS = 1_000_000
_LONGEST_HEADER = 1 << 16
_NUMBERED = re.compile(r"(.*\.part)([0-9]{1,5})(\.(?:rar|exe|sfx))", re.IGNORECASE)
_OLD = re.compile(r"(.*\.)(?:rar|exe|sfx|([r-z])([0-9]{2}))", re.IGNORECASE)


class RarStart(NamedTuple):
    """What an archive's first header says. ``is_first`` is None where that was not recorded."""

    is_part: bool
    is_first: bool | None
    hides_names: bool


class _Block(NamedTuple):
    kind: int
    flags: int  # of RAR 5 those of the header; of its main and end blocks their own
    size: int  # with the data


def read_rar_start(view: View) -> RarStart | None:
    """Return what the main header says, None where there is none that can be read."""
    block = next(_blocks(view), None)
    if block is None:
        return None
    if view.read(0, RAR5_SIGNATURE_SIZE) == _RAR5:
        is_part = block.kind == RAR5_MAIN and bool(block.flags & _PART)
        is_first = not block.flags & _RAR5_NUMBER
        return RarStart(is_part, is_first, block.kind == RAR5_ENCRYPTION)
    # Before its third version the first part was not marked.
    is_marked = True if block.flags & _IS_FIRST else None
    hides_names = bool(block.flags & _NAMES_HIDDEN)
    return RarStart(bool(block.flags & _PART), is_marked, hides_names)


def goes_on(view: View) -> bool:
    """Tell whether another file of the archive follows this one."""
    is_new = view.read(0, RAR5_SIGNATURE_SIZE) == _RAR5
    is_split = False
    for block in _blocks(view):
        if block.kind == (RAR5_END if is_new else RAR_END):
            return bool(block.flags & _MORE_FOLLOW)
        if block.kind in ((RAR5_FILE, RAR5_SERVICE) if is_new else (RAR_FILE,)):
            is_split = bool(block.flags & (_RAR5_SPLIT_AFTER if is_new else _SPLIT_AFTER))
    return is_split


def content_checksums(view: View) -> list[int | None]:
    """Return the CRC-32 of each member of an archive, in its order; None where it has none.

    ``view`` has all parts, one after the other. The last header of a member in several parts has
    the checksum of the whole, those before it that of a piece (libarchive's source; real sets
    of the fourth form agree). They end at a header that cannot be read.
    """
    is_new = view.read(0, RAR5_SIGNATURE_SIZE) == _RAR5
    return _new_checksums(view) if is_new else _old_checksums(view)


def _new_checksums(view: View) -> list[int | None]:
    checksums: list[int | None] = []
    at = 0
    with suppress(FormatError):
        while view.read(at, RAR5_SIGNATURE_SIZE) == _RAR5:
            at += RAR5_SIGNATURE_SIZE
            for _ in range(_MOST_BLOCKS):
                size = rar5_header_size(view.read(at, 16), at)
                block = parse_rar5_block(view.read(at, size), at)
                if block.computed_crc != block.recorded_crc:
                    return checksums
                if block.kind == RAR5_FILE:
                    if block.is_rest and checksums:
                        checksums.pop()
                    checksums.append(block.content_crc)
                at += size + block.data_size
                if block.kind == RAR5_END:
                    break
    return checksums


def _old_checksums(view: View) -> list[int | None]:
    checksums: list[int | None] = []
    at = 0
    while view.read(at, RAR_SIGNATURE_SIZE) == _RAR4:
        at += RAR_SIGNATURE_SIZE
        for _ in range(_MOST_BLOCKS):
            header = view.read(at, 40)
            block = _old_block(header)
            if block is None:
                return checksums
            if block.kind == RAR_FILE:
                if block.flags & _SPLIT_BEFORE and checksums:
                    checksums.pop()
                checksums.append(int.from_bytes(header[16:20], "little"))
            at += block.size
            if block.kind == RAR_END:
                break
    return checksums


def part_number(name: str) -> int:
    """Return which part a file is by its name, from 1."""
    if numbered := _NUMBERED.fullmatch(name):
        return int(numbered[2])
    old = _OLD.fullmatch(name)
    if old is None or old[2] is None:
        return 1
    return 2 + (ord(old[2].lower()) - ord("r")) * 100 + int(old[3])


def part_name(name: str, number: int) -> str:
    """Return what a part is called, by the name of another; empty where it has no such name."""
    if numbered := _NUMBERED.fullmatch(name):
        return f"{numbered[1]}{number:0{len(numbered[2])}}.rar"
    old = _OLD.fullmatch(name)
    if old is None:
        return ""
    if number == 1:
        return f"{old[1]}rar"
    series, of_series = divmod(number - 2, 100)
    return f"{old[1]}{chr(ord('r') + series)}{of_series:02}" if series < 9 else ""


def _blocks(view: View) -> Iterator[_Block]:
    """Yield the blocks one after the other, to the first that cannot be read."""
    is_new = view.read(0, RAR5_SIGNATURE_SIZE) == _RAR5
    at = RAR5_SIGNATURE_SIZE if is_new else RAR_SIGNATURE_SIZE
    for _ in range(_MOST_BLOCKS):
        header = view.read(at, _LONGEST_HEADER if is_new else 40)
        try:
            block = _new_block(header) if is_new else _old_block(header)
        except FormatError:
            return
        if block is None:
            return
        yield block
        if block.kind in ((RAR5_END, RAR5_ENCRYPTION) if is_new else (RAR_END,)):
            return
        at += block.size


def _old_block(header: bytes) -> _Block | None:
    if len(header) < RAR_SIGNATURE_SIZE:
        return None
    kind, flags = header[2], int.from_bytes(header[3:5], "little")
    size = int.from_bytes(header[5:7], "little")
    if size < RAR_SIGNATURE_SIZE:
        return None
    data = int.from_bytes(header[7:11], "little") if flags & _HAS_DATA else 0
    if kind == RAR_FILE and flags & 0x0100:  # a large file has the upper half at byte 32
        data |= int.from_bytes(header[32:36], "little") << 32
    return _Block(kind, flags, size + data)


def _new_block(header: bytes) -> _Block | None:
    if len(header) < RAR5_SIGNATURE_SIZE:
        return None
    numbers = Numbers(header, 0, 4)
    size = numbers.next() + numbers.at
    kind, flags = numbers.next(), numbers.next()
    if flags & 0x01:
        numbers.next()
    data = numbers.next() if flags & 0x02 else 0
    own = numbers.next() if kind in (RAR5_MAIN, RAR5_END) else flags
    return _Block(kind, own, size + data)
