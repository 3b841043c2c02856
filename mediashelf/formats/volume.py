"""What a volume holds, as values: the same for an opened image and for a planned disc."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta, timezone
from functools import lru_cache
from typing import NamedTuple

from msgspec import Struct, field

from mediashelf.formats.volume_kinds import DISC_KINDS as DISC_KINDS
from mediashelf.formats.volume_kinds import VolumeKind as VolumeKind

SECTOR_SIZE = 2048
"""Bytes in one logical sector of a data disc, as presented to a host."""

FLAG_HIDDEN = 0x01  # ECMA-119 9.1.6, existence
FLAG_DIRECTORY = 0x02
FLAG_ASSOCIATED = 0x04
FLAG_RECORD = 0x08  # its extended attribute record says how records of the file are laid out
FLAG_PROTECTION = 0x10  # its extended attribute record says who may read it
FLAG_MULTI_EXTENT = 0x80  # set on every section of a file but the last

HOLE = -1
"""The LBA of an extent that was never recorded and reads as zero bytes (UDF only)."""


class Extent(NamedTuple):
    """A run of consecutive blocks: first block number and length in bytes.

    ``offset`` is the byte of the first block at which it starts; other than 0 only
    where UDF embeds a small file's bytes in its file entry.
    """

    lba: int
    size: int
    offset: int = 0


def ends_outside(extents: Sequence[Extent], block_size: int, image_size: int) -> bool:
    """Tell whether some of the bytes of a file are past the end of the image."""
    for lba, size, offset in extents:  # without more calls: there can be 100,000 entries
        if lba * block_size + offset + size > image_size and size and lba != HOLE:
            return True
    return False


class Entry(NamedTuple):
    """One file or directory inside a volume.

    ``path`` is absolute within the volume, parts joined by ``/``, without
    version ``;1`` and without the dot of an empty extension; ``identifier`` is
    the last part just as recorded (``README.;1``). ``size`` is in bytes over
    all extents; for a directory it is the length of its records. ``date`` is
    the 7-byte form of ECMA-119 9.1.5, or empty. ``flags`` are those of 9.1.6.
    ``record_offset`` is the byte offset of the directory record in the image,
    -1 for a planned entry. The root itself is not an entry.
    """

    path: str
    identifier: str
    size: int
    is_directory: bool
    extents: tuple[Extent, ...] = ()
    date: bytes = b""
    flags: int = 0
    record_offset: int = -1

    @property
    def name(self) -> str:
        """The last part of the path."""
        return self.path.rpartition("/")[2]

    @property
    def parent(self) -> str:
        """The path of the directory that holds this entry; ``/`` for the root."""
        return self.path.rpartition("/")[0] or "/"

    @property
    def depth(self) -> int:
        """The hierarchy level, where the root directory is level 1 (ECMA-119 6.8.2.1)."""
        return self.path.count("/") + 1

    @property
    def is_translation_table(self) -> bool:
        """Whether this is a list of a folder's long names for systems that see short ones only.

        Common practice: writers leave it out of trees that have the long names.
        """
        if self.path[-9:].upper() != "TRANS.TBL":  # as of nearly all of 100,000 entries
            return False
        return not self.is_directory and self.name.upper() == "TRANS.TBL"

    @property
    def modified(self) -> datetime | None:
        """The recorded date, or None when it is absent or not valid."""
        return parse_record_date(self.date)


@lru_cache(maxsize=4096)  # most entries of a disc share few dates
def parse_record_date(data: bytes) -> datetime | None:
    """Return the date of a 7-byte field (ECMA-119 9.1.5), or None when it is not valid.

    Year since 1900, month, day, hour, minute, second, and a signed offset from
    UTC in units of 15 minutes.
    """
    if len(data) < 7 or not any(data[:6]):
        return None
    year, month, day, hour, minute, second, quarter_hours = data[:7]
    if quarter_hours > 127:
        quarter_hours -= 256
    try:
        zone = timezone(timedelta(minutes=15 * quarter_hours))
        return datetime(1900 + year, month, day, hour, minute, second, tzinfo=zone)
    except ValueError:
        return None


def encode_record_date(moment: datetime) -> bytes:
    """Return the 7-byte form of ``moment`` in UTC, held within the years 1900 to 2155."""
    utc = moment.astimezone(UTC)
    year = min(max(utc.year - 1900, 0), 255)
    return bytes([year, utc.month, utc.day, utc.hour, utc.minute, utc.second, 0])


class VolumeFacts(Struct, frozen=True):
    """One naming tree of a disc with its descriptor's fields.

    ``entries`` come directory by directory, parents before children; within a
    directory they are in recorded order, so a rule can see whether the records
    are sorted. ``entries_read`` is False where contents exist that were not
    read. ``is_complete`` is False when the walk met damage or a bound. Dates are
    ISO 8601 text or empty. ``identifiers`` holds the descriptor's text fields by
    name: ``system``, ``volume_set``, ``publisher``, ``preparer``,
    ``application``, ``copyright_file``, ``abstract_file``,
    ``bibliographic_file``; empty fields are left out. ``detail`` is a few words
    such as ``level 3`` (Joliet) or ``NSR02`` (UDF). ``udf_revision`` is in binary
    coded decimal as recorded (0x0102 is 1.02), None for other kinds or when unknown.
    ``set_number`` of ``set_size`` volumes is the descriptor's word on the volume set
    (ECMA-119 8.4.9 and 8.4.10), 0 where it was not read.
    """

    kind: VolumeKind
    label: str
    entries: Sequence[Entry] = ()
    block_size: int = SECTOR_SIZE
    block_count: int = 0
    detail: str = ""
    joliet_level: int | None = None
    is_enhanced: bool = False
    entries_read: bool = True
    is_complete: bool = True
    created: str = ""
    modified: str = ""
    identifiers: dict[str, str] = field(default_factory=dict)
    udf_revision: int | None = None
    effective: str = ""
    set_number: int = 0
    set_size: int = 0

    @property
    def files(self) -> tuple[Entry, ...]:
        """The entries that are not directories."""
        return tuple([entry for entry in self.entries if not entry.is_directory])


class BootEntry(Struct, frozen=True):
    """One way to boot (El Torito 1.0, figures 3 and 5).

    ``media_type``: 0 no emulation, 1 1.2 MB, 2 1.44 MB, 3 2.88 MB floppy, 4 hard
    disk. ``sector_count`` is in virtual sectors of 512 bytes. ``image_size`` is
    the size in bytes that the media type implies, or sector_count x 512 without
    emulation. ``section`` is 0 for the initial entry, then 1, 2, …
    """

    platform_id: int
    is_bootable: bool
    media_type: int
    load_segment: int
    system_type: int
    sector_count: int
    load_lba: int
    image_size: int
    section: int = 0


class BootFacts(Struct, frozen=True):
    """The boot catalog: where it is and what it offers."""

    catalog_lba: int
    id_text: str
    checksum_is_valid: bool
    entries: tuple[BootEntry, ...]


class DiscFacts(Struct, frozen=True):
    """Everything that rules may ask about a disc, opened or planned.

    ``size`` is the image's size in bytes. ``looks_raw`` is True when the file
    holds raw 2352-byte sectors, which no emulator serves as a data disc. ``sessions``
    are the first sectors of the sessions; the volumes are those of the last.
    ``partition_table`` is MBR or GPT where there is one before the volume.
    """

    size: int
    volumes: tuple[VolumeFacts, ...] = ()
    boot: BootFacts | None = None
    looks_raw: bool = False
    sessions: tuple[int, ...] = (0,)
    partition_table: str = ""

    def volume(self, kind: VolumeKind) -> VolumeFacts | None:
        """Return the first volume of this kind, or None."""
        return next((volume for volume in self.volumes if volume.kind is kind), None)


_LARGEST_NOTICE = 4096  # bytes, own choice; those known have under 200


def is_notice(volume: VolumeFacts, other: VolumeFacts) -> bool:
    """Tell whether a tree is no more than a notice beside a UDF tree that has the contents.

    Discs of UDF often show one small file to systems that do not read it (common practice). Ask
    where nothing of ``volume`` is in ``other``.
    """
    entries = volume.entries
    return (
        (volume.kind, other.kind) == (VolumeKind.ISO9660, VolumeKind.UDF)
        and len(entries) == 1
        and not entries[0].is_directory
        and entries[0].size <= _LARGEST_NOTICE
        and len(other.entries) > 1
    )
