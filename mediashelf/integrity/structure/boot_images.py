"""Do boot images start as their kind must: floppies, hard disks, code."""

from __future__ import annotations

from collections.abc import Iterator

from mediashelf.findings import Finding, Severity
from mediashelf.formats.fields import View
from mediashelf.formats.volume import SECTOR_SIZE, BootEntry, DiscFacts

_FLOPPY_SECTORS = {1: 2400, 2: 2880, 3: 5760}  # El Torito media types, in 512-byte sectors
_HARD_DISK = 4


def check_boot_images(facts: DiscFacts, view: View) -> Iterator[Finding]:
    """Yield a finding for every bootable entry whose first sector is not of its kind."""
    for entry in facts.boot.entries if facts.boot is not None else ():
        if not (entry.is_bootable and entry.load_lba):
            continue
        offset = entry.load_lba * SECTOR_SIZE
        sector = view.read(offset, 512)
        if len(sector) < 512:
            continue  # the reader has said that it is outside the image
        if entry.media_type in _FLOPPY_SECTORS:
            yield from _check_floppy(entry, sector, offset)
        elif entry.media_type == _HARD_DISK:
            yield from _check_hard_disk(entry, sector, offset)
        elif not any(sector):
            yield _boot_finding(entry, offset, "starts with 512 zero bytes", "code", "boot image")


def _check_floppy(entry: BootEntry, sector: bytes, offset: int) -> Iterator[Finding]:
    expected = _FLOPPY_SECTORS[entry.media_type]
    if sector[510:] != b"\x55\xaa":
        yield _boot_finding(
            entry, offset, "has no boot sector signature", "55 AA at its end", sector[510:].hex(" ")
        )
        return
    size, total = int.from_bytes(sector[11:13], "little"), int.from_bytes(sector[19:21], "little")
    if size == 512 and total and total != expected:
        yield _boot_finding(
            entry,
            offset,
            "has another size than the boot catalog says",
            f"{expected} sectors",
            f"{total} sectors",
        )


def _check_hard_disk(entry: BootEntry, sector: bytes, offset: int) -> Iterator[Finding]:
    used = sum(1 for at in range(446, 510, 16) if sector[at + 4])
    if sector[510:] != b"\x55\xaa" or used != 1:
        yield _boot_finding(
            entry,
            offset,
            "does not start with a partition table of exactly one partition",
            "one partition and 55 AA",
            f"{used} partitions, {sector[510:].hex(' ')}",
        )


def _boot_finding(entry: BootEntry, offset: int, what: str, expected: str, found: str) -> Finding:
    return Finding(
        "boot-image-form",
        Severity.NOTE,
        f"LBA {entry.load_lba}",
        f"boot image {entry.section} {what}",
        remedy="Check that the disc boots before the day it is needed",
        source="from memory",
        found=found,
        expected=expected,
        offset=offset,
        length=512,
    )
