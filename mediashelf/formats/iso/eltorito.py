"""El Torito: the boot record, which leads to the boot catalog.

Figure and section numbers are those of the "El Torito" Bootable CD-ROM Format
Specification, version 1.0 (Phoenix and IBM, 1995).
"""

from __future__ import annotations

from mediashelf.formats.fields import View, parse_text, read_sector
from mediashelf.formats.iso.boot_catalog import BootCatalog, is_validation_entry
from mediashelf.formats.iso.descriptors import DescriptorSet
from mediashelf.formats.problem_log import ProblemLog
from mediashelf.formats.volume import SECTOR_SIZE, BootFacts

_BOOT_RECORD_SECTOR = 17  # of the session, 2.0
_SECTORS_SEARCHED = 1024  # after the descriptors, for a catalog that nothing leads to
_SYSTEM_IDENTIFIER = b"EL TORITO SPECIFICATION".ljust(32, b"\0")  # figure 7


def detect_boot_record(sector: bytes) -> int | None:
    """Return the boot catalog's sector that an El Torito boot record names (figure 7), or None."""
    if sector[7:39] != _SYSTEM_IDENTIFIER:
        return None
    return _catalog_lba(sector)


def _catalog_lba(sector: bytes) -> int:
    return int.from_bytes(sector[0x47:0x4B], "little")


def _leads_to_catalog(view: View, sector: bytes) -> bool:
    """Tell whether a good validation entry is where an El Torito boot record would say so."""
    return is_validation_entry(read_sector(view, _catalog_lba(sector))[:32])


def read_boot(
    view: View, boot_records: tuple[tuple[int, bytes], ...], log: ProblemLog, session: int = 0
) -> BootFacts | None:
    """Return what the disc offers to boot, or None when it has no El Torito boot record.

    ``session`` is the first sector of the session that the boot records are of.
    """
    expected_place = session + _BOOT_RECORD_SECTOR
    for lba, sector in boot_records:
        catalog_lba = detect_boot_record(sector)
        if catalog_lba is None:
            rule, message = (
                "boot-record-known",
                "a boot record is not an El Torito one; it was not read",
            )
            if lba == expected_place and _leads_to_catalog(view, sector):
                catalog_lba = _catalog_lba(sector)
                rule, message = (
                    "boot-record-identifier",
                    "the boot record leads to a boot catalog, but is not marked as one of El "
                    "Torito, so firmware does not start the disc",
                )
            log.add(
                rule,
                f"LBA {lba}",
                message,
                offset=lba * SECTOR_SIZE + 7,
                length=len(_SYSTEM_IDENTIFIER),
                found=repr(parse_text(sector[7:39])),
                expected=repr(parse_text(_SYSTEM_IDENTIFIER)),
            )
        if catalog_lba is None:
            continue
        if lba != expected_place:
            log.add(
                "boot-record-place",
                f"LBA {lba}",
                "the boot record is not at the sector where firmware looks for it",
                offset=lba * SECTOR_SIZE,
                found=f"sector {lba}",
                expected=f"sector {expected_place}",
            )
        if sector[6] != 1 or sector[39:71].strip(b"\0"):
            log.add(
                "boot-record-fields",
                f"LBA {lba}",
                "the boot record's version or its unused bytes are wrong",
                offset=lba * SECTOR_SIZE + 6,
                found=f"version {sector[6]}, {sector[39:71].strip(bytes(1)).hex(' ') or 'zeros'}",
                expected="version 1, zeros",
            )
        return BootCatalog(view, catalog_lba, log).read()
    return None


def log_lost_catalog(view: View, descriptors: DescriptorSet, log: ProblemLog) -> None:
    """Log a boot catalog that no boot record leads to, of a set of descriptors with a fault.

    One that was copied over the boot record takes it away, or damage that took the set's end.
    """
    first = descriptors.last + 1
    for lba in range(first, first + _SECTORS_SEARCHED):
        head = view.read(lba * SECTOR_SIZE, 64)
        if is_validation_entry(head[:32]) and head[32:33] == b"\x88":
            log.add(
                "boot-catalog-announced",
                f"LBA {lba}",
                "the disc has a boot catalog that no boot record leads to, and "
                f"{descriptors.fault}; firmware does not start it",
                offset=lba * SECTOR_SIZE,
                length=SECTOR_SIZE,
                found=f"{descriptors.fault}, and no boot record",
                expected="a boot record",
            )
            return
