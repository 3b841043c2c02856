"""Do boot images start as their kind must: floppies, hard disks, code."""

from __future__ import annotations

from collections.abc import Iterator

from mediashelf.findings import Finding, Severity
from mediashelf.formats.boot_information import (
    HEAD_SIZE,
    LARGEST_FILE,
    BootInformation,
    parse_boot_information,
    sum_of_words,
)
from mediashelf.formats.entries import iter_folders
from mediashelf.formats.fields import View
from mediashelf.formats.iso.descriptors import FIRST_DESCRIPTOR
from mediashelf.formats.volume import SECTOR_SIZE, BootEntry, DiscFacts

_FLOPPY_SECTORS = {1: 2400, 2: 2880, 3: 5760}  # El Torito media types, in 512-byte sectors
_HARD_DISK = 4
_TABLE_SOURCE = "pycdlib 1.22, EltoritoBootInfoTable; right on 2 of 2 images, measured"


def check_boot_images(facts: DiscFacts, view: View) -> Iterator[Finding]:
    """Yield a finding for every bootable entry whose image is not of its kind, or not whole."""
    sizes = _file_sizes(facts)
    for entry in facts.boot.entries if facts.boot is not None else ():
        if not (entry.is_bootable and entry.load_lba):
            continue
        offset = entry.load_lba * SECTOR_SIZE
        sector = view.read(offset, 512)
        if len(sector) < 512:
            continue  # the reader has said that it is outside the image
        if entry.media_type in _FLOPPY_SECTORS:
            yield from _check_floppy(entry, sector, offset)
            yield from _check_volume(entry, view, offset)
        elif entry.media_type == _HARD_DISK:
            yield from _check_hard_disk(entry, sector, offset)
        elif not any(sector):
            yield _boot_finding(entry, offset, "starts with 512 zero bytes", "code", "boot image")
        else:
            size = sizes.get(entry.load_lba, 0)
            yield from _check_length(entry, offset, size)
            yield from _check_table(entry, facts, view, size)


def _file_sizes(facts: DiscFacts) -> dict[int, int]:
    """Return the sizes of files by the sector where they begin, the largest of each."""
    sizes: dict[int, int] = {}
    if facts.boot is None:
        return sizes
    wanted = {entry.load_lba for entry in facts.boot.entries}
    for volume in facts.volumes:
        if volume.block_size != SECTOR_SIZE:
            continue
        for folder in iter_folders(volume.entries):
            columns = zip(folder.iter_extents(), folder.sizes, folder.are_folders, strict=True)
            for extents, size, is_folder in columns:
                lba = extents[0].lba if extents else 0
                if lba in wanted and not is_folder:
                    sizes[lba] = max(sizes.get(lba, 0), size)
    return sizes


def _check_length(entry: BootEntry, offset: int, size: int) -> Iterator[Finding]:
    """Firmware loads what the catalog says; beyond the file are the bytes of others."""
    whole = -(-size // SECTOR_SIZE) * SECTOR_SIZE
    if size and entry.image_size > whole:
        yield Finding(
            "boot-image-in-file",
            Severity.WARNING,
            f"LBA {entry.load_lba}",
            f"the boot catalog has firmware load more of boot image {entry.section} than its "
            "file holds",
            remedy="compare the image with another copy, or read the disc again",
            source="El Torito 1.0, figures 3 and 5; own behaviour: files end before others begin",
            found=f"{entry.image_size:,} bytes",
            expected=f"at most {whole:,}",
            offset=offset,
            length=whole,
        )


def _check_table(entry: BootEntry, facts: DiscFacts, view: View, size: int) -> Iterator[Finding]:
    """Compare a boot file with the table in it, where its numbers show that it is one."""
    offset = entry.load_lba * SECTOR_SIZE
    table = parse_boot_information(view.read(offset, HEAD_SIZE))
    if table is None or not HEAD_SIZE < table.size <= LARGEST_FILE:
        return
    right = BootInformation(
        facts.sessions[-1] + FIRST_DESCRIPTOR,
        entry.load_lba,
        size or table.size,
        sum_of_words(view.read(offset + HEAD_SIZE, table.size - HEAD_SIZE)),
    )
    is_there = table[:2] == right[:2] or (table.checksum == right.checksum != 0)
    if is_there and table[:3] != right[:3]:
        yield Finding(
            "boot-file-table",
            Severity.WARNING,
            f"LBA {entry.load_lba}",
            f"the file of boot image {entry.section} has a table of where and how long it is, "
            "which is not right; loaders that go by it do not start",
            remedy="compare the image with another copy, if the disc does not start",
            source=_TABLE_SOURCE,
            found=_table_words(table),
            expected=_table_words(right),
            offset=offset + 8,
            length=12,
        )
    elif is_there and table.checksum != right.checksum:
        yield Finding(
            "boot-file-checksum",
            # How others than the measured writers fill up the last word is not known.
            Severity.WARNING if table.size % 4 else Severity.ERROR,
            f"LBA {entry.load_lba}",
            f"the file of boot image {entry.section} is not as it was when the checksum in it was "
            "made; loaders that check it stop",
            remedy="compare the image with another copy, or read the disc again",
            source=_TABLE_SOURCE,
            found=f"{right.checksum:#010x}",
            expected=f"{table.checksum:#010x}",
            offset=offset,
            length=table.size,
        )


def _table_words(table: BootInformation) -> str:
    return (
        f"descriptor at LBA {table.descriptor_lba}, file at LBA {table.file_lba}, "
        f"{table.size:,} bytes"
    )


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


def _check_volume(entry: BootEntry, view: View, offset: int) -> Iterator[Finding]:
    """Yield what is said of a floppy image that is given alone."""
    # Loaded only for discs with one.
    from mediashelf.formats.packed.fat import read_fat
    from mediashelf.trees.bytes import PartView
    from mediashelf.trees.floppy import FloppyTree
    from mediashelf.trees.members import Bounds

    volume = read_fat(PartView(view, offset, entry.image_size))
    if volume is not None:
        where = f"LBA {entry.load_lba} (boot image {entry.section})"
        yield from FloppyTree(where, volume, Bounds()).findings


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
        remedy="check that the disc boots before the day it is needed",
        source="from memory",
        found=found,
        expected=expected,
        offset=offset,
        length=512,
    )
