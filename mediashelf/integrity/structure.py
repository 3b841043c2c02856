"""Do the parts of a disc fit together: extents that overlap, trees that differ, boot sectors.

What one structure says wrong of itself is found by the reader
(:attr:`mediashelf.image.DiscImage.findings`); here its parts are compared with
each other.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import islice
from typing import NamedTuple

from mediashelf.findings import Finding, Severity
from mediashelf.formats.volume import (
    HOLE,
    SECTOR_SIZE,
    BootEntry,
    DiscFacts,
    Entry,
    VolumeFacts,
    VolumeKind,
)
from mediashelf.image import DiscImage

PLACES_PER_RULE = 100
"""How many findings of one rule are given; the rest are counted in the last one."""

FIRST_USABLE_LBA = 17  # system area and the first descriptor stand before it
FLOPPY_SECTORS = {1: 2400, 2: 2880, 3: 5760}  # El Torito media types, in 512-byte sectors

_COPY = "Compare the image with another copy, or read the disc again"


class _Run(NamedTuple):
    """Bytes of the image that somebody uses."""

    offset: int
    size: int
    owner: str

    @property
    def end(self) -> int:
        return self.offset + self.size


def check_structure(image: DiscImage) -> Iterator[Finding]:
    """Yield a finding for every two parts of the disc that contradict each other."""
    yield from _at_most(_check_overlaps(image.facts))
    volumes = {volume.kind: volume for volume in image.facts.volumes if volume.entries_read}
    primary = volumes.get(VolumeKind.ISO9660)
    if primary is not None:
        for kind in (VolumeKind.JOLIET, VolumeKind.UDF):
            other = volumes.get(kind)
            # A tree that was cut short by damage would differ in everything it lost.
            if other is not None and primary.is_complete and other.is_complete:
                yield from _at_most(_compare_trees(primary, other))
    yield from _check_boot_images(image)


def _at_most(findings: Iterator[Finding]) -> Iterator[Finding]:
    last = None
    for last in islice(findings, PLACES_PER_RULE):
        yield last
    more = sum(1 for _ in findings)
    if more and last is not None:
        yield Finding(
            last.rule,
            last.severity,
            "image",
            f"{more:,} more places like these are not listed",
            remedy=last.remedy,
            source=last.source,
        )


def _runs(facts: DiscFacts) -> Iterator[_Run]:
    for volume in facts.volumes:
        for entry in volume.entries:
            for extent in entry.extents:
                # Bytes that stand in a UDF file entry are part of that record.
                if extent.lba != HOLE and extent.size and not extent.offset:
                    yield _Run(extent.lba * volume.block_size, extent.size, entry.path)


def _check_overlaps(facts: DiscFacts) -> Iterator[Finding]:
    """Compare every run with the one that reaches furthest before it.

    Two entries may share one extent of equal length. Boot images are left out:
    they may also be entries, whatever length the boot catalog claims for them.
    """
    furthest: _Run | None = None
    for run in sorted(set(_runs(facts))):
        if run.offset < FIRST_USABLE_LBA * SECTOR_SIZE:
            yield _overlap(run, "the system area and the volume descriptors")
        elif (
            furthest is not None
            and run.offset < furthest.end
            and (run.offset, run.size) != (furthest.offset, furthest.size)
        ):
            yield _overlap(run, furthest.owner)
        if furthest is None or run.end > furthest.end:
            furthest = run


def _overlap(run: _Run, other: str) -> Finding:
    return Finding(
        "extents-apart",
        Severity.WARNING,
        run.owner,
        f"its bytes overlap those of {other}",
        remedy="Compare the image with another copy; some discs were made like this on purpose",
        source="common practice",
        found=f"LBA {run.offset // SECTOR_SIZE}, {run.size:,} bytes",
        expected="bytes of its own, or exactly the same bytes",
        offset=run.offset,
        length=run.size,
    )


def _place(entry: Entry) -> tuple[int, int]:
    first = entry.extents[0].lba if entry.extents and entry.size else 0
    return first, entry.size


def _compare_trees(primary: VolumeFacts, other: VolumeFacts) -> Iterator[Finding]:
    """Both trees of a disc are to name the same bytes, under whatever names."""
    if len(primary.files) != len(other.files):
        yield _difference(
            "image",
            f"the ISO 9660 tree has {len(primary.files):,} files, "
            f"the {other.kind} tree {len(other.files):,}",
            other,
            None,
        )
    known = {_place(entry) for entry in primary.files}
    seen = {_place(entry) for entry in other.files}
    for entry in other.files:
        if _place(entry) not in known and not _is_embedded(entry):
            yield _difference(
                entry.path, "its bytes belong to no file of the ISO 9660 tree", other, entry
            )
    for entry in primary.files:
        if _place(entry) not in seen and not any(map(_is_embedded, other.files)):
            yield _difference(
                entry.path, f"its bytes belong to no file of the {other.kind} tree", primary, entry
            )


def _is_embedded(entry: Entry) -> bool:
    return any(extent.offset or extent.lba == HOLE for extent in entry.extents)


def _difference(where: str, message: str, volume: VolumeFacts, entry: Entry | None) -> Finding:
    lba, size = _place(entry) if entry is not None else (0, 0)
    return Finding(
        "trees-agree",
        Severity.WARNING,
        where,
        message,
        remedy=f"{_COPY}; systems that read different trees see different files",
        source="common practice",
        found=f"LBA {lba}, {size:,} bytes" if entry is not None else "",
        offset=lba * volume.block_size if lba else None,
        length=size if lba else None,
    )


def _check_boot_images(image: DiscImage) -> Iterator[Finding]:
    boot = image.facts.boot
    for entry in boot.entries if boot is not None else ():
        if not (entry.is_bootable and entry.load_lba):
            continue
        offset = entry.load_lba * SECTOR_SIZE
        sector = image.view.read(offset, 512)
        if len(sector) < 512:
            continue  # the reader has said that it is outside the image
        if entry.media_type in FLOPPY_SECTORS:
            yield from _check_floppy(entry, sector, offset)
        elif entry.media_type == 4:
            yield from _check_hard_disk(entry, sector, offset)
        elif not any(sector):
            yield _boot_finding(entry, offset, "starts with 512 zero bytes", "code", "boot image")


def _check_floppy(entry: BootEntry, sector: bytes, offset: int) -> Iterator[Finding]:
    expected = FLOPPY_SECTORS[entry.media_type]
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
            "is of another size than the boot catalog says",
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
        remedy="Try whether the disc boots before the day it is needed",
        source="from memory",
        found=found,
        expected=expected,
        offset=offset,
        length=512,
    )
