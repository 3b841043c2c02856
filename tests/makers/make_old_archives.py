"""LHA, RAR and cpio archives of stored files, made by hand: no program writes all of them.

Layouts from memory; libarchive, lhasa, cpio and file read what is made here.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Mapping

Files = Mapping[str, bytes]
DOS_DATE = 0x26CC << 16 | 0x5000  # the usual one, 1999-06-12 10:00
RAR_START = b"Rar!\x1a\x07\0"
_VOLUME, _NEW_NAMES, _FIRST, _HIDDEN = 0x0001, 0x0010, 0x0100, 0x0080
_SPLIT_BEFORE, _SPLIT_AFTER = 0x0001, 0x0002


def crc_16(data: bytes) -> int:
    """The checksum of LHA: polynomial A001, reflected."""
    crc = 0
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = crc >> 1 ^ (0xA001 if crc & 1 else 0)
    return crc


def make_lha(files: Files, method: bytes = b"-lh0-", level: int = 0) -> bytes:
    """An LHA archive with headers of level 0 or 2; another ``method`` is only claimed."""
    out = b""
    for name, content in files.items():
        if level == 2:
            out += _lha_of_level_2(name, content, method)
            continue
        path = name.replace("/", "\\").encode("cp932")
        rest = method + struct.pack("<III", len(content), len(content), DOS_DATE)
        rest += b"\x20\0" + bytes([len(path)]) + path + struct.pack("<H", crc_16(content))
        out += bytes([len(rest), sum(rest) & 0xFF]) + rest + content
    return out + b"\0"


def _lha_of_level_2(name: str, content: bytes, method: bytes) -> bytes:
    path = name.encode("ascii")
    rest = method + struct.pack("<IIIBB", len(content), len(content), 929181600, 0x20, 2)
    rest += struct.pack("<HBHB", crc_16(content), 0x4D, 5, 0)
    more = struct.pack("<H", len(path) + 3) + b"\1" + path + b"\0\0"
    size = struct.pack("<H", 2 + len(rest) + 2 + len(more))
    return size + rest + struct.pack("<H", crc_16(size + rest + b"\0\0" + more)) + more + content


def make_cpio(name: str, content: bytes, form: str = "newc") -> bytes:
    """A cpio archive of one file: ``newc``, ``odc``, or numbers in the order of a ``struct``."""
    members = b""
    for path, data in ((name, content), ("TRAILER!!!", b"")):
        named = path.encode("ascii") + b"\0"
        mode, when, size, length = 0o100644, 0, len(data), len(named)
        if form == "newc":
            fields = 1, mode, 0, 0, 1, when, size, 0, 0, 0, 0, length, 0
            head = b"070701" + b"".join(b"%08X" % field for field in fields) + named
            members += head + bytes(-len(head) % 4) + data + bytes(-size % 4)
        elif form == "odc":
            head = b"070707%06o%06o%06o%06o%06o%06o%06o" % (0, 1, mode, 0, 0, 1, 0)
            members += head + b"%011o%06o%011o" % (when, length, size) + named + data
        else:
            words = 0o70707, 0, 1, mode, 0, 0, 1, 0, 0, 0, length, size >> 16, size & 0xFFFF
            head = b"".join(struct.pack(form, word) for word in words) + named
            members += head + bytes(length % 2) + data + bytes(size % 2)
    return members


def _rar_block(kind: int, flags: int, rest: bytes) -> bytes:
    body = struct.pack("<BHH", kind, flags, 7 + len(rest)) + rest
    return struct.pack("<H", zlib.crc32(body) & 0xFFFF) + body


def _rar_file(name: str, whole: bytes, piece: bytes, flags: int) -> bytes:
    path = name.replace("/", "\\").encode("ascii")
    crc = zlib.crc32(piece if flags & _SPLIT_AFTER else whole)
    fixed = struct.pack(
        "<IIBIIBBHI", len(piece), len(whole), 2, crc, DOS_DATE, 20, 0x30, len(path), 0x20
    )
    return _rar_block(0x74, 0x8000 | flags, fixed + path) + piece


def make_rar(files: Files, *, hides_names: bool = False) -> bytes:
    """A RAR archive of the fourth form."""
    main = _rar_block(0x73, _HIDDEN if hides_names else 0, bytes(6))
    blocks = b"".join(_rar_file(name, data, data, 0) for name, data in files.items())
    return RAR_START + main + blocks + _rar_block(0x7B, 0x4000, b"")


def make_rar_parts(name: str, content: bytes, count: int) -> list[bytes]:
    """One file in a RAR archive of several files."""
    parts = []
    step = -(-len(content) // count)
    for number in range(count):
        flags = (_SPLIT_BEFORE if number else 0) | (_SPLIT_AFTER if number + 1 < count else 0)
        first = _FIRST if not number else 0
        main = _rar_block(0x73, _VOLUME | _NEW_NAMES | first, bytes(6))
        piece = content[number * step : (number + 1) * step]
        end = _rar_block(0x7B, 0x4000 | (1 if number + 1 < count else 0), b"")
        parts.append(RAR_START + main + _rar_file(name, content, piece, flags) + end)
    return parts


def make_rar5_part(number: int) -> bytes:
    """The start of one part of a RAR archive of the fifth form, the first being 0."""
    flags = bytes([1 | (2 if number else 0)]) + (bytes([number]) if number else b"")
    body = bytes([1, 0]) + flags
    header = bytes([len(body)]) + body
    return b"Rar!\x1a\x07\x01\0" + struct.pack("<I", zlib.crc32(header)) + header


def _rar5_block(body: bytes, data: bytes = b"") -> bytes:
    header = bytes([len(body)]) + body
    return struct.pack("<I", zlib.crc32(header)) + header + data


def make_rar5_hard_link(name: str, content: bytes, link: str) -> bytes:
    """A RAR archive of the fifth form: a stored file of under 128 bytes, and a hard link to it."""
    crc = struct.pack("<I", zlib.crc32(content))
    size = bytes([len(content)])
    method = b"\x80\x00\x00"  # stored; written by Windows
    own = bytes([2, 2]) + size + b"\x04" + size + b"\x20" + crc + method
    own += bytes([len(name)]) + name.encode("ascii")
    target = b"\x05\x04\x00" + bytes([len(name)]) + name.encode("ascii")
    record = bytes([len(target)]) + target
    other = bytes([2, 3, len(record), 0, 4, 0, 0x20]) + bytes(4) + method
    other += bytes([len(link)]) + link.encode("ascii") + record
    return (
        b"Rar!\x1a\x07\x01\0"
        + _rar5_block(b"\x01\x00\x00")
        + _rar5_block(own, content)
        + _rar5_block(other)
        + _rar5_block(b"\x05\x00\x00")
    )
