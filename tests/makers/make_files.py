"""Makers of small files that carry their own checks, written from the formats' descriptions.

They share no code with the package, so that a mistake in one shows in the other;
independent libraries read what is made here where there is one.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

STORED, MSZIP, QUANTUM, LZX = 0, 1, 2, 3


@dataclass
class MadeFile:
    """The bytes of a file and the offsets of its parts."""

    data: bytes
    places: dict[str, int] = field(default_factory=dict)

    def at(self, place: str) -> int:
        return self.places[place]


def cabinet_checksum(data: bytes, seed: int = 0) -> int:
    """The cabinet format's checksum, word by word."""
    value = seed
    whole = len(data) // 4 * 4
    for (word,) in struct.iter_unpack("<I", data[:whole]):
        value ^= word
    rest = 0
    for byte in data[whole:]:
        rest = rest << 8 | byte
    return value ^ rest


def mszip_blocks(data: bytes) -> list[tuple[bytes, int]]:
    """(stored bytes, expanded size) of each block; each block sees the one before."""
    blocks = []
    for start in range(0, len(data), 32768):
        piece = data[start : start + 32768]
        window = data[max(0, start - 32768) : start]
        deflater = zlib.compressobj(9, zlib.DEFLATED, -15, 9, zlib.Z_DEFAULT_STRATEGY, zdict=window)
        blocks.append((b"CK" + deflater.compress(piece) + deflater.flush(), len(piece)))
    return blocks


def stored_blocks(data: bytes) -> list[tuple[bytes, int]]:
    return [
        (data[start : start + 32768], len(data[start : start + 32768]))
        for start in range(0, len(data), 32768)
    ]


def make_cabinet(
    folders: Sequence[Mapping[str, bytes]],
    *,
    compression: int = STORED,
    reserve: tuple[int, int, int] | None = None,
    checksums: bool = True,
    previous: str = "",
    following: str = "",
    folder_index: int | None = None,
) -> MadeFile:
    """A cabinet; each folder is name → bytes.

    ``reserve`` is the size of the reserved areas of header, folders and blocks.
    ``previous`` and ``following`` are names of neighbours in a set;
    ``folder_index`` is then recorded for every file. Places: ``folder N``,
    ``file NAME``, ``block N.M`` (its header) and ``data N.M``.
    """
    header_reserve, folder_reserve, block_reserve = reserve or (0, 0, 0)
    flags = bool(previous) | bool(following) << 1 | (reserve is not None) << 2
    extra = b""
    if reserve is not None:
        extra += struct.pack("<HBB", *reserve) + b"\x11" * header_reserve
    for name in (previous, following):
        if name:
            extra += name.encode() + b"\0disk\0"
    places: dict[str, int] = {}
    blocks = []
    for files in folders:
        joined = b"".join(files.values())
        blocks.append(mszip_blocks(joined) if compression == MSZIP else stored_blocks(joined))
    folders_at = 36 + len(extra)
    files_at = folders_at + len(folders) * (8 + folder_reserve)
    file_records = b""
    for index, files in enumerate(folders):
        offset = 0
        for name, data in files.items():
            places[f"file {name}"] = files_at + len(file_records)
            recorded = index if folder_index is None else folder_index
            file_records += struct.pack("<IIHHHH", len(data), offset, recorded, 0x26C1, 0, 0x20)
            file_records += name.encode() + b"\0"
            offset += len(data)
    at = files_at + len(file_records)
    folder_records, area = b"", b""
    for index, folder in enumerate(blocks):
        places[f"folder {index}"] = folders_at + len(folder_records)
        folder_records += struct.pack("<IHH", at + len(area), len(folder), compression)
        folder_records += b"\x22" * folder_reserve
        for number, (stored, size) in enumerate(folder):
            rest = struct.pack("<HH", len(stored), size) + b"\x33" * block_reserve
            checksum = cabinet_checksum(rest, cabinet_checksum(stored)) if checksums else 0
            places[f"block {index}.{number}"] = at + len(area)
            places[f"data {index}.{number}"] = at + len(area) + 8 + block_reserve
            area += struct.pack("<I", checksum) + rest + stored
    total = at + len(area)
    header = struct.pack(
        "<4sIIIIIBBHHHHH",
        b"MSCF",
        0,
        total,
        0,
        files_at,
        0,
        3,
        1,
        len(folders),
        sum(map(len, folders)),
        flags,
        7,
        0,
    )
    return MadeFile(header + extra + folder_records + file_records + area, places)


def make_mz(
    body: bytes = b"\x90" * 200, *, new_offset: int = 0, stub: bytes = b"", size: int | None = None
) -> bytes:
    """A DOS program of ``body``, or a stub with a new header at ``new_offset``."""
    content = stub if new_offset else body
    total = 64 + len(content) if size is None else size
    header = struct.pack("<2sHH", b"MZ", total % 512, -(-total // 512)).ljust(24, b"\0")
    header = header[:8] + struct.pack("<H", 4) + header[10:]  # four paragraphs of header
    header += struct.pack("<H", 64 if new_offset else 28)
    return header.ljust(60, b"\0") + struct.pack("<I", new_offset) + content


def pe_checksum(data: bytes, at: int) -> int:
    """The checksum that belongs at ``at``, summed word by word."""
    total = 0
    padded = data[:at] + bytes(4) + data[at + 4 :]
    for (word,) in struct.iter_unpack("<H", padded + b"\0" * (len(padded) % 2)):
        total += word
        total = (total & 0xFFFF) + (total >> 16)
    return total + len(data)


def make_pe(
    sections: Sequence[tuple[str, bytes]] = ((".text", b"\xc3" * 700), (".data", b"d" * 100)),
    *,
    checksum: bool = True,
    subsystem: int = 2,
    wide: bool = False,
    overlay: bytes = b"",
    certificates: bytes = b"",
) -> MadeFile:
    """A PE program; sections are padded to 512 bytes.

    Places: ``pe``, ``checksum``, ``section NAME`` (its header) and ``data NAME``.
    """
    start = 128
    optional_size = (112 if wide else 96) + 16 * 8
    headers_size = -(-(start + 24 + optional_size + 40 * len(sections)) // 512) * 512
    coff = struct.pack(
        "<4sHHIIIHH", b"PE\0\0", 0x8664 if wide else 0x14C, len(sections), 0, 0, 0, optional_size, 2
    )
    places = {"pe": start, "checksum": start + 24 + 64}
    table, area = b"", b""
    address = 0x1000
    for name, data in sections:
        padded = data.ljust(-(-len(data) // 512) * 512, b"\0")
        places[f"section {name}"] = start + 24 + optional_size + len(table)
        places[f"data {name}"] = headers_size + len(area)
        table += struct.pack(
            "<8sIIII", name.encode(), len(data), address, len(padded), headers_size + len(area)
        ).ljust(40, b"\0")
        area += padded
        address += 0x1000
    optional = struct.pack("<H", 0x20B if wide else 0x10B).ljust(60, b"\0")
    optional += struct.pack("<IIH", headers_size, 0, subsystem)
    optional = optional.ljust((112 if wide else 96) - 4, b"\0") + struct.pack("<I", 16)
    directories = bytes(32)
    if certificates:
        directories += struct.pack(
            "<II", headers_size + len(area) + len(overlay), len(certificates)
        )
    optional = (optional + directories).ljust(optional_size, b"\0")
    head = make_mz(new_offset=start, stub=b"stub").ljust(start, b"\0")
    data = (head + coff + optional + table).ljust(headers_size, b"\0") + area
    data += overlay + certificates
    if checksum:
        at = places["checksum"]
        data = data[:at] + struct.pack("<I", pe_checksum(data, at)) + data[at + 4 :]
    return MadeFile(data, places)


def make_ne(segment: bytes = b"\x90" * 600, resource: bytes = b"r" * 64) -> MadeFile:
    """A 16-bit program: one segment with one relocation, one resource, names."""
    start, shift = 128, 4
    segments_at, resources_at = 64, 72
    resident_at = resources_at + 2 + 8 + 12 + 2
    names_at = start + resident_at + 16
    names = b"\x04NAME\0\0\0"
    data_at = -(-(names_at + len(names)) // 16) * 16
    relocations = struct.pack("<H", 1) + bytes(8)
    resource_at = -(-(data_at + len(segment) + len(relocations)) // 16) * 16
    header = bytearray(64)
    header[0:2] = b"NE"
    struct.pack_into("<H", header, 28, 1)
    struct.pack_into("<H", header, 32, len(names))
    struct.pack_into("<HHH", header, 34, segments_at, resources_at, resident_at)
    struct.pack_into("<I", header, 44, names_at)
    struct.pack_into("<H", header, 50, shift)
    table = struct.pack("<HHHH", data_at >> shift, len(segment), 0x0100, len(segment))
    resources = struct.pack("<H", shift) + struct.pack("<HHI", 0x8003, 1, 0)
    resources += struct.pack("<HHHHI", resource_at >> shift, len(resource) >> shift, 0, 1, 0)
    resources += bytes(2)
    data = make_mz(new_offset=start, stub=b"stub").ljust(start, b"\0") + header + table + resources
    data = data.ljust(names_at, b"\0") + names
    data = data.ljust(data_at, b"\0") + segment + relocations
    data = data.ljust(resource_at, b"\0") + resource
    places = {"ne": start, "segment": data_at, "relocations": data_at + len(segment)}
    return MadeFile(data, places | {"resource": resource_at, "names": names_at})


def make_le(pages: int = 3, last: int = 100) -> MadeFile:
    """A virtual device driver of one object."""
    start = 128
    objects_at, map_at = 0xC4, 0xC4 + 24
    data_at = -(-(start + map_at + 4 * pages) // 512) * 512
    names = b"\x04NAME\0\0\0"
    size = (pages - 1) * 4096 + last
    header = bytearray(0xC4)
    header[0:2] = b"LE"
    struct.pack_into("<I", header, 0x14, pages)
    struct.pack_into("<II", header, 0x28, 4096, last)
    struct.pack_into("<III", header, 0x40, objects_at, 1, map_at)
    struct.pack_into("<I", header, 0x80, data_at)
    struct.pack_into("<II", header, 0x88, data_at + size, len(names))
    page_map = b"".join(number.to_bytes(3, "big") + b"\0" for number in range(1, pages + 1))
    data = make_mz(new_offset=start, stub=b"stub").ljust(start, b"\0")
    data += header + bytes(24) + page_map
    data = data.ljust(data_at, b"\0") + b"p" * size + names
    return MadeFile(data, {"le": start, "pages": data_at, "names": data_at + size})


def lzss(data: bytes) -> bytes:
    """The simple compressed form's stream: runs of one byte become matches, all else literals.

    A match is the place in a ring of 4096 bytes (where byte 0 stands at 4080)
    and a length of 3 to 18.
    """
    items: list[tuple[bool, bytes]] = []
    at = 0
    while at < len(data):
        run = 1
        while run < 19 and at + run < len(data) and data[at + run] == data[at]:
            run += 1
        items.append((True, data[at : at + 1]))
        at += 1
        if run > 3:
            place = (4080 + at - 1) % 4096
            length = run - 1
            items.append((False, bytes([place & 0xFF, place >> 4 & 0xF0 | length - 3])))
            at += length
    out = b""
    for start in range(0, len(items), 8):
        group = items[start : start + 8]
        out += bytes([sum(literal << bit for bit, (literal, _) in enumerate(group))])
        out += b"".join(piece for _, piece in group)
    return out


def unlzss(data: bytes) -> bytes:
    """Expand the simple compressed form's stream."""
    ring, place, out, at = bytearray(b" " * 4096), 4080, bytearray(), 0
    while at < len(data):
        control, at = data[at], at + 1
        for bit in range(8):
            if at >= len(data):
                break
            if control >> bit & 1:
                piece, at = data[at : at + 1], at + 1
            else:
                low, high, at = data[at], data[at + 1], at + 2
                source = low | (high & 0xF0) << 4
                piece = b""
                for step in range((high & 15) + 3):
                    byte = ring[(source + step) % 4096]
                    piece += bytes([byte])
                    ring[(place + step) % 4096] = byte
            for byte in piece:
                ring[place] = byte
                place = (place + 1) % 4096
            out += piece
    return bytes(out)


def make_szdd(data: bytes) -> bytes:
    """The simple compressed form."""
    return b"SZDD\x88\xf0\x27\x33A\0" + struct.pack("<I", len(data)) + lzss(data)


def make_kwaj(
    data: bytes, *, method: int = 1, name: bytes = b"NAME", text: bytes = b"note"
) -> bytes:
    """The other compressed form with every optional field."""
    stored = {0: data, 1: bytes(byte ^ 0xFF for byte in data), 2: lzss(data)}.get(method, data)
    extra = struct.pack("<IH", len(data), 0) + struct.pack("<H", 3) + b"abc"
    extra += name + b"\0" + b"EXE\0" + struct.pack("<H", len(text)) + text
    header = b"KWAJ\x88\xf0\x27\xd1" + struct.pack("<HHH", method, 14 + len(extra), 0x3F)
    return header + extra + stored


def make_rar(files: Mapping[str, bytes], *, end: bool = True, comment: bool = False) -> MadeFile:
    """A RAR archive of the old form, files stored. Places: ``main``, ``NAME``, ``data NAME``."""
    out = b"Rar!\x1a\x07\x00"
    places: dict[str, int] = {"main": len(out)}

    def block(kind: int, flags: int, rest: bytes, covered: int | None = None) -> bytes:
        body = struct.pack("<BHH", kind, flags, 7 + len(rest)) + rest
        crc = zlib.crc32(body if covered is None else body[:covered]) & 0xFFFF
        return struct.pack("<H", crc) + body

    out += block(0x73, 2 if comment else 0, bytes(6) + (b"old comment" if comment else b""), 11)
    for name, data in files.items():
        places[name] = len(out)
        rest = struct.pack(
            "<IIBIIBBHI",
            len(data),
            len(data),
            2,
            zlib.crc32(data),
            0x26C10000,
            20,
            0x30,
            len(name),
            0x20,
        )
        out += block(0x74, 0x8000, rest + name.encode())
        places[f"data {name}"] = len(out)
        out += data
    places["end"] = len(out)
    return MadeFile(out + (block(0x7B, 0x4000, b"") if end else b""), places)


def rar5_number(value: int) -> bytes:
    out = b""
    while value > 127:
        out += bytes([value & 127 | 128])
        value >>= 7
    return out + bytes([value])


def make_rar5(files: Mapping[str, bytes]) -> MadeFile:
    """A RAR 5 archive with stored files. Places: ``main``, ``NAME``, ``data NAME``, ``end``."""
    out = b"Rar!\x1a\x07\x01\x00"
    places: dict[str, int] = {"main": len(out)}

    def block(*parts: bytes | int) -> bytes:
        body = b"".join(part if isinstance(part, bytes) else rar5_number(part) for part in parts)
        sized = rar5_number(len(body)) + body
        return struct.pack("<I", zlib.crc32(sized)) + sized

    out += block(1, 0, 0)
    for name, data in files.items():
        places[name] = len(out)
        crc = struct.pack("<I", zlib.crc32(data))
        size = len(data)
        out += block(2, 2, size, 4, size, 0x20, crc, 0, 0, len(name), name.encode())
        places[f"data {name}"] = len(out)
        out += data
    places["end"] = len(out)
    return MadeFile(out + block(5, 0, 0), places)


def make_seven_zip_shell(packed: bytes = b"packed", header: bytes = b"\x17\x06header") -> MadeFile:
    """The frame of a 7z archive: its headers' checksums are right, its content is not one."""
    start = struct.pack("<QQI", len(packed), len(header), zlib.crc32(header))
    data = b"7z\xbc\xaf\x27\x1c\0\4" + struct.pack("<I", zlib.crc32(start)) + start
    return MadeFile(data + packed + header, {"packed": 32, "next": 32 + len(packed)})
