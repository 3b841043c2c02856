"""The same files in every wrapping that is opened, made without the code under test."""

from __future__ import annotations

import bz2
import gzip
import io
import lzma
import re
import struct
import tarfile
import tempfile
import warnings
import zipfile
import zlib
from collections.abc import Callable, Mapping
from pathlib import Path

from build_trees import DATE, ZIP_DATE
from make_fat import make_fat
from make_files import MSZIP, cabinet_checksum, make_cabinet, make_pe
from make_image import make_iso
from make_old_archives import make_lha, make_rar
from make_raw import mode_1_image

Files = Mapping[str, bytes]
MOMENT = (1999, 6, 12, 10, 0, 0)
CABINET_DATE = (0x26CC, 0x5000)


def make_zip(files: Files, method: int = zipfile.ZIP_DEFLATED) -> bytes:
    data = io.BytesIO()
    with warnings.catch_warnings(), zipfile.ZipFile(data, "w") as archive:
        warnings.simplefilter("ignore", UserWarning)
        for name, content in files.items():
            archive.writestr(zipfile.ZipInfo(name, ZIP_DATE), content, method)
    return data.getvalue()


def make_tar(files: Files) -> bytes:
    data = io.BytesIO()
    with tarfile.open(fileobj=data, mode="w", format=tarfile.PAX_FORMAT) as archive:
        for name, content in files.items():
            header = tarfile.TarInfo(name)
            header.size, header.mtime = len(content), DATE
            archive.addfile(header, io.BytesIO(content))
    return data.getvalue()


def make_seven_zip(files: Files) -> bytes:
    """A 7z archive, written by libarchive."""
    import libarchive

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "made.7z"
        with libarchive.file_writer(str(path), "7zip") as archive:
            for name, content in files.items():
                archive.add_file_from_memory(name, len(content), content, mtime=DATE)
        return path.read_bytes()


def make_mszip(files: Files) -> bytes:
    names = {name.replace("/", "\\"): data for name, data in files.items()}
    return dated_cabinet(make_cabinet([names], compression=MSZIP).data)


def dated_cabinet(data: bytes) -> bytes:
    """The cabinet with the usual date and time in its file records."""
    return data.replace(struct.pack("<HH", 0x26C1, 0), struct.pack("<HH", *CABINET_DATE))


def make_lzx(files: Files) -> bytes:
    """A cabinet of LZX blocks that are stored inside: each frame is one block of kind 3.

    One bit 0 (no translation of calls), then for each block 3 bits of its kind and 24 of its
    size, filled up to 16 bits, three numbers of 4 bytes, and the bytes (from memory; libarchive
    and cabextract read it).
    """
    joined = b"".join(files.values())
    made = make_cabinet([{name.replace("/", "\\"): data for name, data in files.items()}])
    blocks = []
    for at in range(0, len(joined), 32768):
        piece = joined[at : at + 32768]
        bits = f"{3:03b}{len(piece):024b}"
        if not at:
            bits = "0" + bits
        bits = bits.ljust(-(-len(bits) // 16) * 16, "0")
        words = [int(bits[i : i + 16], 2) for i in range(0, len(bits), 16)]
        stored = struct.pack(f"<{len(words)}H", *words) + struct.pack("<III", 1, 1, 1) + piece
        if len(piece) % 2:
            stored += b"\0"
        rest = struct.pack("<HH", len(stored), len(piece))
        blocks.append(struct.pack("<I", cabinet_checksum(rest, cabinet_checksum(stored))) + rest)
        blocks[-1] += stored
    start = made.data[: made.at("block 0.0")]
    area = b"".join(blocks)
    out = bytearray(start + area)
    struct.pack_into("<I", out, 8, len(out))
    struct.pack_into("<H", out, made.at("folder 0") + 6, 3 | 15 << 8)
    return dated_cabinet(bytes(out))


def behind_program(data: bytes) -> bytes:
    """A setup program that carries an archive after its sections."""
    return make_pe().data + data


WRAPPINGS: dict[str, Callable[[Files], bytes]] = {
    "image.iso": lambda files: make_iso(files).data,
    "joliet.iso": lambda files: make_iso(files, joliet=True).data,
    "udf.iso": lambda files: make_iso(files, udf="NSR02").data,
    "raw.bin": lambda files: mode_1_image(make_iso(files).data),
    "image.iso.gz": lambda files: gzip.compress(make_iso(files).data, mtime=0),
    "image.iso.xz": lambda files: lzma.compress(make_iso(files).data),
    "image.iso.lzma": lambda files: lzma.compress(make_iso(files).data, lzma.FORMAT_ALONE),
    "stored.zip": lambda files: make_zip(files, zipfile.ZIP_STORED),
    "deflated.zip": make_zip,
    "bzip2.zip": lambda files: make_zip(files, zipfile.ZIP_BZIP2),
    "lzma.zip": lambda files: make_zip(files, zipfile.ZIP_LZMA),
    "pack.tar": make_tar,
    "pack.tar.gz": lambda files: gzip.compress(make_tar(files), mtime=0),
    "pack.tar.bz2": lambda files: bz2.compress(make_tar(files)),
    "pack.tar.xz": lambda files: lzma.compress(make_tar(files)),
    "pack.tar.lzma": lambda files: lzma.compress(make_tar(files), lzma.FORMAT_ALONE),
    "pack.7z": make_seven_zip,
    "mszip.cab": make_mszip,
    "lzx.cab": make_lzx,
    "stored.lzh": make_lha,
    "stored.rar": make_rar,
    "disk1.ima": make_fat,
    "disk1.imz": lambda files: make_zip({"disk1.img": make_fat(files)}),
    "disk16.img": lambda files: make_fat(files, size=16_777_216),
    "zip-setup.exe": lambda files: behind_program(make_zip(files)),
    "7z-setup.exe": lambda files: behind_program(make_seven_zip(files)),
    "rar-setup.exe": lambda files: behind_program(make_rar(files)),
    "cab-setup.exe": lambda files: behind_program(make_mszip(files)),
}
"""File name to the maker of its bytes; names are capitals, eight and three, so that all can."""

NEED_LIBARCHIVE = frozenset(
    name for name in WRAPPINGS if re.search(r"\.(7z|cab|lzh|rar)$|^(7z|rar|cab)-setup", name)
)
"""Those that nothing else reads; tests of them skip where it is not installed."""

DATED = frozenset(WRAPPINGS) - {
    "image.iso", "joliet.iso", "udf.iso", "raw.bin", "image.iso.gz", "image.iso.xz",
    "image.iso.lzma",
}  # fmt: skip
"""Those whose files have :data:`DATE`."""


def make_seven_zip_by_hand(name: str, content: bytes, dictionary: int) -> bytes:
    """A 7z archive of one small file; ``dictionary`` is the property byte of LZMA2 (40: 4 GiB).

    Layout from memory; libarchive and 7-Zip read it.
    """
    packed = lzma.compress(content, lzma.FORMAT_RAW, filters=[{"id": lzma.FILTER_LZMA2}])
    assert max(len(packed), len(content)) < 0x80
    letters = name.encode("utf-16-le") + b"\0\0"
    streams = b"\x06\0\x01\x09" + bytes([len(packed)]) + b"\0"
    streams += b"\x07\x0b\x01\0\x01\x21\x21\x01" + bytes([dictionary])
    streams += b"\x0c" + bytes([len(content)])
    streams += b"\x0a\x01" + struct.pack("<I", zlib.crc32(content)) + b"\0"
    streams += b"\x08\0"
    files = b"\x05\x01\x11" + bytes([len(letters) + 1]) + b"\0" + letters + b"\0"
    header = b"\x01\x04" + streams + b"\0" + files + b"\0"
    start = struct.pack("<QQI", len(packed), len(header), zlib.crc32(header))
    signature = b"7z\xbc\xaf\x27\x1c\0\x04" + struct.pack("<I", zlib.crc32(start))
    return signature + start + packed + header
