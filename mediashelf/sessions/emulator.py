"""What the board's kernel can serve as a disc: the limits of its mass-storage function.

The limits are those of a CD-ROM lun of the Linux USB mass-storage function under
configfs. Unless a row says otherwise they were measured on kernels 6.1.192 and
7.2.13, by reading each disc back through a USB CD-ROM driver, and read in the
source of 6.12.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import NamedTuple

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
MAX_LUNS = EmulatorLimit(8, "Linux Documentation/usb/mass-storage.rst: FSG_MAX_LUNS (8)")
VENDOR_LENGTH = EmulatorLimit(8, "Linux storage_common.h: the inquiry string is 8 + 16 + 4")
PRODUCT_LENGTH = EmulatorLimit(16, VENDOR_LENGTH.source)
RELEASE_LENGTH = EmulatorLimit(4, VENDOR_LENGTH.source)

RAW_SOURCE = "measured on Linux 6.1 and 7.2: sectors are served as they are in the file"
ORDER_SOURCE = f"Linux storage_common.c, fsg_lun_open and _fsg_store_ro; {_MEASURED}"

MIN_SIZE = MIN_BLOCKS.value * SECTOR_SIZE
"""Bytes of the smallest image that is served: 614,400."""

MAX_SIZE = MAX_BLOCKS.value * SECTOR_SIZE
"""Bytes of the largest image that is served whole: 2,359,293,952."""

REFUSED_TOO_SMALL = 525
"""The error number (ETOOSMALL) that a write to ``file`` gives for an image that is too small."""

EJECT = "\n"
"""What is written to ``file`` to take the disc out; writing nothing at all does nothing."""

_LUN_SETTINGS = (("ro", "1"), ("cdrom", "1"), ("removable", "1"))


def lun_settings(file: str = "") -> list[tuple[str, str]]:
    """Return the attributes of a lun and their values in the order they must be written.

    With ``file`` the path of the image is the last of them: block size and
    limits are chosen when the file is opened.
    """
    return [*_LUN_SETTINGS, *([("file", file)] if file else [])]


def check_lun(
    size: int, *, path_bytes: int = 0, looks_raw: bool = False, where: str = "image"
) -> Iterator[Finding]:
    """Yield what keeps an image of ``size`` bytes from being served whole, as it is.

    ``path_bytes`` is the length of the image's path as the kernel gets it. The
    contents are not looked at; ``looks_raw`` tells what the reader saw.
    """
    blocks, tail = divmod(size, SECTOR_SIZE)
    if looks_raw:
        yield _error(
            "emulator-data-sectors",
            where,
            "the file holds raw sectors, and the host would see them as data",
            "Make a servable image of the data track: mediashelf convert",
            RAW_SOURCE,
        )
    if blocks < MIN_BLOCKS.value:
        yield _error(
            "emulator-smallest-disc",
            where,
            f"the image has {count_text(blocks, 'block')}, and the emulator refuses fewer than "
            f"{MIN_BLOCKS.value} (error {REFUSED_TOO_SMALL})",
            f"Fill up a copy with zeros: truncate --size={MIN_SIZE} COPY",
            MIN_BLOCKS.source,
            found=blocks,
            expected=f"at least {MIN_BLOCKS.value}",
        )
    elif blocks > MAX_BLOCKS.value:
        lost = (blocks - MAX_BLOCKS.value) * SECTOR_SIZE + tail
        yield _error(
            "emulator-largest-disc",
            where,
            f"the image has {blocks:,} blocks; the emulator takes it, shows the first "
            f"{MAX_BLOCKS.value:,} and says so in the kernel log only",
            f"Spread the contents over several discs; {lost:,} bytes would be missing",
            MAX_BLOCKS.source,
            found=blocks,
            expected=f"at most {MAX_BLOCKS.value}",
            offset=MAX_SIZE,
            length=lost,
        )
    elif tail:
        yield Finding(
            "emulator-whole-blocks",
            Severity.WARNING,
            where,
            f"the image ends with {tail} bytes that are no whole block, and are not served",
            f"Fill up a copy with zeros: truncate --size={(blocks + 1) * SECTOR_SIZE} COPY"
            if blocks < MAX_BLOCKS.value
            else "Nothing can be added to so large a disc: spread the contents over several",
            BLOCK_SIZE.source,
            str(size),
            f"a multiple of {SECTOR_SIZE}",
            blocks * SECTOR_SIZE,
            tail,
        )
    if path_bytes > MAX_PATH_SIZE.value:
        yield _error(
            "emulator-path-length",
            where,
            f"the image's path has {path_bytes:,} bytes, and {MAX_PATH_SIZE.value:,} are taken",
            "Put the image nearer to the root of the card",
            MAX_PATH_SIZE.source,
            found=path_bytes,
            expected=f"at most {MAX_PATH_SIZE.value}",
        )


def check_lun_settings(
    settings: Sequence[tuple[str, str]], *, where: str = "lun"
) -> Iterator[Finding]:
    """Yield what is wrong with attributes that are written to a lun in this order.

    Every attribute of :func:`lun_settings` must be set to 1 before ``file``, and
    none may be taken back: after ``cdrom=1`` a ``ro=0`` lets the host write into
    the image.
    """
    names = [name for name, _ in settings]
    opened = names.index("file") if "file" in names else len(names)
    for name, _ in _LUN_SETTINGS:
        values = [value for attribute, value in settings if attribute == name]
        before = [value for attribute, value in settings[:opened] if attribute == name]
        if not before or set(values) != {"1"}:
            found = ", ".join(f"{attribute}={value}" for attribute, value in settings) or "nothing"
            expected = ", ".join(f"{attribute}={value}" for attribute, value in _LUN_SETTINGS)
            yield _error(
                "emulator-settings-order",
                where,
                f"{name} is not set to 1 before file, for good",
                f"Write {expected}, and file after them",
                ORDER_SOURCE,
                found=found,
                expected=f"{expected}, then file",
            )


def check_lun_count(count: int, *, where: str = "gadget") -> Iterator[Finding]:
    """Yield a finding when more luns are offered than a host looks at."""
    if count > MAX_LUNS.value:
        yield _error(
            "emulator-lun-count",
            where,
            f"{count} luns are offered, and hosts see {MAX_LUNS.value}",
            "Serve the discs one after the other instead",
            MAX_LUNS.source,
            found=count,
            expected=f"at most {MAX_LUNS.value}",
        )


def check_inquiry(
    vendor: str, product: str, release: str, *, where: str = "inquiry_string"
) -> Iterator[Finding]:
    """Yield what does not fit the inquiry string: lengths, and characters that are no ASCII."""
    fields = (
        ("vendor", vendor, VENDOR_LENGTH),
        ("product", product, PRODUCT_LENGTH),
        ("release", release, RELEASE_LENGTH),
    )
    for name, text, limit in fields:
        if len(text) > limit.value:
            yield _inquiry_error(
                where, f"{name} has {len(text)} characters", text, f"at most {limit.value}"
            )
        if not (text.isascii() and text.isprintable()):
            yield _inquiry_error(where, f"{name} is not plain ASCII", text, "plain ASCII")


def inquiry_text(vendor: str, product: str, release: str) -> str:
    """Return the 28 characters of an inquiry string; fields that are too long are cut."""
    fields: Iterable[tuple[str, EmulatorLimit]] = (
        (vendor, VENDOR_LENGTH),
        (product, PRODUCT_LENGTH),
        (release, RELEASE_LENGTH),
    )
    return "".join(text[: limit.value].ljust(limit.value) for text, limit in fields)


def _inquiry_error(where: str, message: str, found: str, expected: str) -> Finding:
    return _error(
        "emulator-inquiry-fits",
        where,
        message,
        "Shorten it; the kernel cuts the whole string at 28 characters",
        VENDOR_LENGTH.source,
        found=found,
        expected=expected,
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
