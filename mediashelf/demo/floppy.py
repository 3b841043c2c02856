"""A 1.44 MB floppy image for the example's boot disc: it boots, prints one line and halts.

The files on it are those that a boot floppy for CD drives has, with invented names.
"""

from __future__ import annotations

import struct

_SECTOR_SIZE = 512
_SECTOR_COUNT = 2880  # 80 tracks x 2 sides x 18 sectors
_FAT_SECTORS = 9
_ROOT_ENTRIES = 224

# 8086 code: print the text that follows through the firmware, then halt for good.
_CODE = bytes.fromhex("31c0 8ed8 be567c ac 84c0 7409 b40e bb0700 cd10 ebf2 f4 ebfd")
_CODE_START = 0x3E


_TOP_START = _SECTOR_SIZE * (1 + 2 * _FAT_SECTORS)
_DATA_START = _TOP_START + 32 * _ROOT_ENTRIES
_FILE_TIME = struct.pack("<HH", 0, (1999 - 1980) << 9 | 3 << 5 | 1)  # 1999-03-01

START_FILES = {
    "CONFIG.SYS": b"FILES=30\r\nDEVICE=A:\\KIOSKUSB.SYS\r\nDEVICE=A:\\KIOSKCD.SYS /D:KIOSKCD1\r\n",
    "AUTOEXEC.BAT": b"@ECHO OFF\r\nA:\\KIOSKRD.EXE /D:KIOSKCD1 /L:R\r\n",
    "KIOSKUSB.SYS": b"An example, no driver.\r\n",
    "KIOSKCD.SYS": b"An example, no driver.\r\n",
    "KIOSKRD.EXE": b"An example, no program.\r\n",
}


def make_boot_floppy(message: str) -> bytes:
    """Return a FAT12 floppy image of 1,474,560 bytes whose boot sector shows ``message``."""
    image = bytearray(_SECTOR_SIZE * _SECTOR_COUNT)
    image[0:3] = b"\xeb\x3c\x90"  # jump over the parameter block
    image[3:11] = b"EXAMPLE "
    # The BIOS parameter block of a 1.44 MB floppy (common practice).
    struct.pack_into(
        "<HBHBHHBHHHII",
        image,
        11,
        _SECTOR_SIZE,
        1,  # sectors in a cluster
        1,  # reserved sectors
        2,  # file allocation tables
        _ROOT_ENTRIES,
        _SECTOR_COUNT,
        0xF0,  # media
        _FAT_SECTORS,
        18,  # sectors in a track
        2,  # heads
        0,
        0,
    )
    image[36:62] = b"\x00\x00\x29" + b"\x12\x06\x19\x99" + b"KIOSKBOOT  " + b"FAT12   "
    image[_CODE_START : _CODE_START + len(_CODE)] = _CODE
    text = message.encode("ascii")[:200] + b"\r\n\0"
    text_start = _CODE_START + len(_CODE)
    # The code carries the text's address: 0x7C00 + text_start.
    struct.pack_into("<H", image, _CODE_START + 5, 0x7C00 + text_start)
    image[text_start : text_start + len(text)] = text
    image[510:512] = b"\x55\xaa"
    for table in range(2):
        start = _SECTOR_SIZE * (1 + table * _FAT_SECTORS)
        image[start : start + 3] = b"\xf0\xff\xff"
    for number, (name, data) in enumerate(START_FILES.items()):
        _add_small_file(image, number, name, data)
    return bytes(image)


def _add_small_file(image: bytearray, number: int, name: str, data: bytes) -> None:
    """Add the ``number``-th file, of one cluster at most, to the top folder."""
    cluster = 2 + number
    stem, _, extension = name.partition(".")
    entry = f"{stem:8}{extension:3}".encode("ascii") + b"\x20" + bytes(10) + _FILE_TIME
    top = _TOP_START + 32 * number
    image[top : top + 32] = entry + struct.pack("<HI", cluster, len(data))
    start = _DATA_START + (cluster - 2) * _SECTOR_SIZE
    image[start : start + len(data)] = data
    for table in range(2):
        at = _SECTOR_SIZE * (1 + table * _FAT_SECTORS) + cluster * 3 // 2
        pair = int.from_bytes(image[at : at + 2], "little")
        pair |= 0xFFF0 if cluster % 2 else 0x0FFF  # the last cluster of its file
        image[at : at + 2] = pair.to_bytes(2, "little")
