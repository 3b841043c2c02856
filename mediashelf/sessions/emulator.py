"""What the board's kernel can serve as a disc: the limits of its mass-storage function.

Unless they speak of a disk, the limits are those of a CD-ROM lun of the Linux USB
mass-storage function under configfs. Unless a row says otherwise they were measured on
kernels 6.1.192 and 7.2.13, by reading each disc back through a USB CD-ROM driver, and
read in the source of 6.12.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Literal, NamedTuple

from mediashelf.findings import Finding, Severity
from mediashelf.formats.volume import SECTOR_SIZE
from mediashelf.text import count_text

_MEASURED = "measured on Linux 6.1 and 7.2"


class EmulatorLimit(NamedTuple):
    """A number that the emulator keeps to, and where it comes from."""

    value: int
    source: str


MIN_BLOCKS = EmulatorLimit(300, f"Linux storage_common.c, fsg_lun_open; {_MEASURED}")
MAX_BLOCKS = EmulatorLimit(256 * 60 * 75 - 1, f"Linux storage_common.c, fsg_lun_open; {_MEASURED}")
BLOCK_SIZE = EmulatorLimit(SECTOR_SIZE, f"Linux Documentation/usb/mass-storage.rst; {_MEASURED}")
MAX_PATH_SIZE = EmulatorLimit(4094, _MEASURED)

RAW_SOURCE = "measured on Linux 6.1 and 7.2: sectors are served as they are in the file"

INQUIRY_SIZE = EmulatorLimit(28, f"Linux storage_common.h, inquiry_string; {_MEASURED}")
"""Characters of a drive's names: 8 for the vendor, 16 for the product, 4 for the release."""

MIN_SIZE = MIN_BLOCKS.value * SECTOR_SIZE
"""Bytes of the smallest image that is served: 614,400."""

MAX_SIZE = MAX_BLOCKS.value * SECTOR_SIZE
"""Bytes of the largest image that is served whole: 2,359,293,952."""

REFUSED_TOO_SMALL = 525
"""The error number (ETOOSMALL) that a write to ``file`` gives for an image that is too small."""

Presentation = Literal["optical", "disk"]
"""What the host sees: a CD-ROM drive, or a read-only USB disk for a hybrid image."""

DISK_BLOCK = EmulatorLimit(512, f"Linux storage_common.c, fsg_lun_open; {_MEASURED}")

EJECT = "\n"
"""What is written to ``file`` to take the disc out; writing nothing at all does nothing."""


def lun_settings(file: str = "", presentation: Presentation = "optical") -> list[tuple[str, str]]:
    """Return the attributes of a lun and their values in the order they must be written.

    With ``file`` the path of the image is the last of them: block size and
    limits are chosen when the file is opened.
    """
    cdrom = "1" if presentation == "optical" else "0"
    settings = [("ro", "1"), ("cdrom", cdrom), ("removable", "1")]
    return [*settings, *([("file", file)] if file else [])]


def drive_names(vendor: str, product: str) -> str:
    """Return the text for ``inquiry_string``; empty names are the kernel's own."""
    return f"{vendor or 'Linux':<8}{product or 'File-CD Gadget':<16}{'1':<4}"


def block_size(presentation: Presentation) -> int:
    """Return the bytes of a block as the host sees it."""
    return BLOCK_SIZE.value if presentation == "optical" else DISK_BLOCK.value


def served_blocks(size: int, presentation: Presentation = "optical") -> int:
    """Return the blocks that a host sees of an image: none of one that the kernel refuses."""
    blocks = size // block_size(presentation)
    if presentation == "disk":
        return blocks
    return min(blocks, MAX_BLOCKS.value) if blocks >= MIN_BLOCKS.value else 0


def is_served_whole(size: int, presentation: Presentation = "optical") -> bool:
    """Return whether a host sees every whole block of an image."""
    blocks = served_blocks(size, presentation)
    return blocks > 0 and blocks == size // block_size(presentation)


def check_lun(
    size: int,
    *,
    path_bytes: int = 0,
    looks_raw: bool = False,
    where: str = "image",
    presentation: Presentation = "optical",
    is_hybrid: bool = False,
) -> Iterator[Finding]:
    """Yield what keeps an image of ``size`` bytes from being served whole, as it is.

    ``path_bytes`` is the length of the image's path as the kernel gets it. The
    contents are not looked at; ``looks_raw`` and ``is_hybrid`` tell what the reader saw.
    """
    if looks_raw:
        yield _error(
            "emulator-data-sectors",
            where,
            "the file holds raw sectors, and the host would see them as data",
            "Make a servable image of the data track: mediashelf convert",
            RAW_SOURCE,
        )
    yield from _check_size(size, where, presentation, is_hybrid, looks_raw)
    if path_bytes > MAX_PATH_SIZE.value:
        yield _error(
            "emulator-path-length",
            where,
            f"the image's path has {path_bytes:,} bytes, and at most {MAX_PATH_SIZE.value:,} "
            "are accepted",
            "Move the image closer to the root of the card",
            MAX_PATH_SIZE.source,
            found=path_bytes,
            expected=f"at most {MAX_PATH_SIZE.value}",
        )


def _check_size(
    size: int, where: str, presentation: Presentation, is_hybrid: bool, looks_raw: bool
) -> Iterator[Finding]:
    """Yield what the emulator does not serve of so many bytes."""
    is_optical = presentation == "optical"  # of a disk no limit is known but whole blocks
    blocks = size // SECTOR_SIZE
    tail = size % (SECTOR_SIZE if is_optical else DISK_BLOCK.value)
    if is_optical and blocks < MIN_BLOCKS.value:
        yield _error(
            "emulator-smallest-disc",
            where,
            f"the image has {count_text(blocks, 'block')}, and the emulator refuses fewer than "
            f"{MIN_BLOCKS.value} (error {REFUSED_TOO_SMALL})",
            f"Add zeros to a copy: truncate --size={MIN_SIZE} COPY",
            MIN_BLOCKS.source,
            found=blocks,
            expected=f"at least {MIN_BLOCKS.value}",
        )
    elif is_optical and blocks > MAX_BLOCKS.value:
        lost = (blocks - MAX_BLOCKS.value) * SECTOR_SIZE + tail
        yield _error(
            "emulator-largest-disc",
            where,
            f"the image has {blocks:,} blocks; the emulator accepts it, serves the first "
            f"{MAX_BLOCKS.value:,} and says so only in the kernel log",
            f"{_AS_DISK if is_hybrid else _TOO_LARGE}; {lost:,} bytes would be missing",
            MAX_BLOCKS.source,
            found=blocks,
            expected=f"at most {MAX_BLOCKS.value}",
            offset=MAX_SIZE,
            length=lost,
        )
    elif tail and not looks_raw:  # raw sectors fill no blocks, and zeros would not help
        yield Finding(
            "emulator-whole-blocks",
            Severity.WARNING,
            where,
            f"the image ends with {tail:,} bytes that do not fill a block, and are not served",
            f"add zeros to a copy: truncate --size={(blocks + 1) * SECTOR_SIZE} COPY"
            if blocks < MAX_BLOCKS.value or not is_optical
            else "zeros cannot be added to so large a disc: spread the contents over several",
            BLOCK_SIZE.source,
            str(size),
            f"a multiple of {SECTOR_SIZE}",
            blocks * SECTOR_SIZE,
            tail,
        )


_AS_DISK = (
    'The image is hybrid: serve it as a read-only USB disk, presentation = "disk" in the plan'
)
_TOO_LARGE = (
    "Files can go on several discs (build --spread). An installer cannot be divided: use its "
    "edition on CDs, or a real DVD drive or USB stick"
)


def _error(
    rule: str,
    where: str,
    message: str,
    remedy: str,
    source: str,
    *,
    found: object = "",
    expected: str = "",
    offset: int | None = None,
    length: int | None = None,
) -> Finding:
    return Finding(
        rule, Severity.ERROR, where, message, remedy, source, str(found), expected, offset, length
    )
