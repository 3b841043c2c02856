"""The boot catalog of a disc, as bytes (El Torito 1.0)."""

from __future__ import annotations

import struct

from mediashelf.building.planning.boot import PlannedBoot
from mediashelf.formats.volume import SECTOR_SIZE

_BOOTABLE = 0x88
_PLATFORM_80X86 = 0

# Figure 2: header id, platform, reserved, id string, checksum, key bytes.
_VALIDATION = struct.Struct("<BBH24sH2s")

# Figure 3: boot indicator, media type, load segment (0 stands for 7C0), system type,
# unused, sectors of 512 bytes to load, first sector of the image.
_INITIAL = struct.Struct("<BBHBBHI")


def boot_catalog(boot: PlannedBoot) -> bytes:
    """Return the catalog's one sector: the validation entry, and the initial entry."""
    initial = _INITIAL.pack(
        _BOOTABLE, boot.media_type, 0, 0, 0, boot.load_sectors, boot.content.lba
    )
    return (_validation_entry() + initial).ljust(SECTOR_SIZE, b"\0")


def _validation_entry() -> bytes:
    """Return the entry; its checksum makes the sum of its 16-bit words zero (figure 2)."""

    def entry(checksum: int) -> bytes:
        return _VALIDATION.pack(1, _PLATFORM_80X86, 0, b"", checksum, b"\x55\xaa")

    words: tuple[int, ...] = struct.unpack("<16H", entry(0))
    return entry(-sum(words) & 0xFFFF)
