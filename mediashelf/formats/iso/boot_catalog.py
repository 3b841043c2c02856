"""The El Torito boot catalog: what a disc offers to boot.

Figure and section numbers are those of the "El Torito" Bootable CD-ROM Format
Specification, version 1.0 (Phoenix and IBM, 1995).
"""

from __future__ import annotations

import struct
from collections.abc import Generator, Iterator

from mediashelf.formats.fields import View, parse_text, read_sector
from mediashelf.formats.partitions.partition_table import hard_disk_size
from mediashelf.formats.problem_log import ProblemLog
from mediashelf.formats.volume import SECTOR_SIZE, BootEntry, BootFacts

_VIRTUAL_SECTOR_SIZE = 512
_ENTRY_SIZE = 32
_MOST_ENTRIES = 1024  # of a catalog that is followed

_HARD_DISK = 4
_FLOPPY_SIZES = {1: 1_228_800, 2: 1_474_560, 3: 2_949_120}  # media types of figure 3, in bytes
PLATFORMS = {0: "80x86", 1: "PowerPC", 2: "Mac", 0xEF: "UEFI"}  # figure 2; UEFI as practised

_VALIDATION, _BOOTABLE = 0x01, 0x88
_LAST_HEADER = 0x91
_HEADERS, _INDICATORS, _EXTENSION = (b"\x90", b"\x91"), (b"\x88", b"\x00"), b"\x44"
_ENTRY = struct.Struct("<BBHBBHI")  # indicator, media, segment, system, unused, sectors, RBA
_EXTENSION_FOLLOWS = 0x20  # bit 5 of a section entry's media type, and of an extension


def words_sum(entry: bytes) -> int:
    """Return the sum of an entry's 16-bit words, low byte first; 0 for a sound validation entry."""
    words: tuple[int, ...] = struct.unpack("<16H", entry)
    return sum(words) & 0xFFFF


def is_validation_entry(entry: bytes) -> bool:
    """Tell whether 32 bytes are a validation entry without a fault (figure 2)."""
    return entry[:1] == b"\x01" and entry[30:32] == b"\x55\xaa" and words_sum(entry) == 0


class BootCatalog:
    """The catalog's entries, one after another."""

    def __init__(self, view: View, lba: int, log: ProblemLog) -> None:
        self._view, self._lba, self._log = view, lba, log

    def read(self) -> BootFacts:
        """Return every entry that can be read, and log what is wrong with them."""
        first = read_sector(self._view, self._lba)
        if not first:
            self._log.add(
                "boot-catalog-readable",
                "boot catalog",
                "the boot catalog is past the end of the image",
                offset=self._lba * SECTOR_SIZE,
                found=f"LBA {self._lba}",
                expected=f"at most LBA {self._view.size // SECTOR_SIZE - 1}",
            )
            return BootFacts(self._lba, "", False, ())
        validation = first[:_ENTRY_SIZE]
        checksum_is_valid = self._verify_validation(validation)
        platform = validation[1]
        initial = self._entry(first[_ENTRY_SIZE : 2 * _ENTRY_SIZE], 1, platform, section=0)
        entries = [initial, *self._sections()]
        return BootFacts(self._lba, parse_text(validation[4:28]), checksum_is_valid, tuple(entries))

    def _verify_validation(self, entry: bytes) -> bool:
        offset = self._lba * SECTOR_SIZE
        if entry[0] != _VALIDATION or entry[30:32] != b"\x55\xaa":
            self._log.add(
                "boot-validation-entry",
                "boot catalog",
                "the validation entry has a wrong header id or key bytes",
                offset=offset,
                length=_ENTRY_SIZE,
                found=f"{entry[0]:02x}, {entry[30:32].hex(' ')}",
                expected="01, 55 aa",
            )
        if any(entry[2:4]):
            self._log_reserved("boot catalog", offset)
        total = words_sum(entry)
        if total:
            stored = int.from_bytes(entry[28:30], "little")
            self._log.add(
                "boot-checksum",
                "boot catalog",
                "the validation entry's checksum is wrong",
                offset=offset + 28,
                length=2,
                found=f"{stored:#06x}",
                expected=f"{(stored - total) & 0xFFFF:#06x}",
            )
        self._log_platform(entry[1], offset + 1)
        return total == 0

    def _log_platform(self, platform: int, offset: int) -> None:
        if platform not in PLATFORMS:
            self._log.add(
                "boot-platform",
                "boot catalog",
                "the platform id is not defined",
                offset=offset,
                found=f"{platform:#04x}",
                expected="0, 1, 2 or 0xef",
            )

    def _log_reserved(self, where: str, offset: int) -> None:
        """Log bytes of an entry that must be zero; SeaBIOS 1.16 starts such discs (tried)."""
        self._log.add(
            "reserved-field-zero",
            where,
            "an entry has bytes that must be zero and are not",
            offset=offset,
            length=_ENTRY_SIZE,
        )

    def _entry(self, data: bytes, number: int, platform: int, *, section: int) -> BootEntry:
        """Return the initial entry or a section entry, after checking it."""
        indicator, media, segment, system, unused, sectors, rba = _ENTRY.unpack_from(data)
        offset = self._lba * SECTOR_SIZE + number * _ENTRY_SIZE
        wrong = []
        if data[:1] not in _INDICATORS:
            wrong.append(f"boot indicator {indicator:#04x}")
        # Bits 5 to 7 have a meaning in section entries only (figures 3 and 5).
        reserved = media & (0xF0 if section == 0 else 0x10)
        if media & 0x0F > _HARD_DISK or reserved:
            wrong.append(f"media type {media:#04x}")
        if unused or (section == 0 and any(data[12:])):
            self._log_reserved(_place(section), offset)
        if wrong:
            self._log.add(
                "boot-entry",
                _place(section),
                "a boot entry has undefined values",
                offset=offset,
                length=_ENTRY_SIZE,
                found=", ".join(wrong),
                expected="indicator 0x88 or 0x00, media type 0 to 4",
            )
        media &= 0x0F
        entry = BootEntry(
            platform_id=platform,
            is_bootable=indicator == _BOOTABLE,
            media_type=media,
            load_segment=segment,
            system_type=system,
            sector_count=sectors,
            load_lba=rba,
            image_size=self._image_size(media, sectors, rba),
            section=section,
        )
        self._log_image(entry, offset)
        return entry

    def _image_size(self, media: int, sectors: int, rba: int) -> int:
        if media in _FLOPPY_SIZES:
            return _FLOPPY_SIZES[media]
        if media == _HARD_DISK:
            return hard_disk_size(read_sector(self._view, rba))
        return sectors * _VIRTUAL_SECTOR_SIZE

    def _log_image(self, entry: BootEntry, offset: int) -> None:
        """Check that a bootable image is inside the disc image."""
        start = entry.load_lba * SECTOR_SIZE
        end = start + max(entry.image_size, 1)
        if not entry.is_bootable or (start and end <= self._view.size):
            return
        self._log.add(
            "boot-image-inside",
            _place(entry.section),
            "the boot image is partly or wholly outside the disc image",
            offset=offset + 8,
            found=f"LBA {entry.load_lba}, {entry.image_size:,} bytes",
            expected=f"an image that ends at byte {self._view.size:,} at most",
        )

    def _sections(self) -> Iterator[BootEntry]:
        """Yield the entries of all sections (2.3 to 2.5).

        What follows the last one must not look like more of them (own behaviour).
        """
        number, section, is_last = 2, 0, False
        while not is_last and number > 0:
            header = self._raw(number)
            if header[:1] not in _HEADERS:
                # Catalogs with only an initial entry end with zeros.
                if header.strip(b"\0") or section:
                    self._log_section(number, "a section header is missing", header)
                return
            section += 1
            is_last = header[0] == _LAST_HEADER
            self._log_platform(header[1], self._lba * SECTOR_SIZE + number * _ENTRY_SIZE + 1)
            number = yield from self._section(header, number + 1, section)
        if number > 0 and self._raw(number)[:1] in (*_HEADERS, _EXTENSION, b"\x88"):
            message = "more follows the section that is said to be the last"
            self._log_section(number, message, self._raw(number))

    def _section(self, header: bytes, number: int, section: int) -> Generator[BootEntry, None, int]:
        """Yield the entries of one section; return the number after it, -1 when it is broken."""
        platform, left = header[1], int.from_bytes(header[2:4], "little")
        extensions, may_follow = 0, False
        while left:
            data = self._raw(number)
            if may_follow and data[:1] == _EXTENSION:
                extensions += 1
                may_follow = bool(data[1] & _EXTENSION_FOLLOWS)
                number += 1
                continue
            if left <= extensions and (data[:1] in _HEADERS or not data.strip(b"\0")):
                break  # T13/2132-D, table 18, counts extensions among the entries
            # An entry of zeros boots nothing; where entries end, zeros follow.
            if data[:1] not in _INDICATORS or not data.strip(b"\0"):
                self._log_section(number, "a section has fewer entries than it says", data)
                return -1
            yield self._entry(data, number, platform, section=section)
            may_follow = bool(data[1] & _EXTENSION_FOLLOWS)
            number, left = number + 1, left - 1
        while may_follow and self._raw(number)[:1] == _EXTENSION:
            may_follow = bool(self._raw(number)[1] & _EXTENSION_FOLLOWS)
            number += 1
        return number

    def _raw(self, number: int) -> bytes:
        """Return the catalog's entry of this number; empty past the end."""
        if number >= _MOST_ENTRIES:
            return b""
        data = self._view.read(self._lba * SECTOR_SIZE + number * _ENTRY_SIZE, _ENTRY_SIZE)
        return data if len(data) == _ENTRY_SIZE else b""

    def _log_section(self, number: int, message: str, found: bytes) -> None:
        self._log.add(
            "boot-section",
            "boot catalog",
            f"{message}; the rest of the catalog was not read",
            offset=self._lba * SECTOR_SIZE + number * _ENTRY_SIZE,
            length=_ENTRY_SIZE,
            found=found[:8].hex(" ") or "nothing",
        )


def _place(section: int) -> str:
    return "boot catalog, initial entry" if section == 0 else f"boot catalog, section {section}"
