"""What a disc says of itself, as values: the words of a list, kept in the catalogue."""

from __future__ import annotations

from msgspec import Struct

READER = 1
"""Raised when the rules change; what an earlier version worked out is then worked out again."""

HYBRID = "hybrid"
BOOT_WORDS = ("BIOS floppy", "BIOS", "BIOS hard disk", "UEFI", HYBRID)
"""Every word that :attr:`DiscSummary.boot` has."""


class DiscSummary(Struct, frozen=True):
    """What a disc is. Dates are ISO 8601 or empty, of the first volume that has them.

    ``boot`` are words of :data:`BOOT_WORDS`, ``scripts`` those of names beyond ASCII,
    ``installers`` families of systems. ``set_number`` of ``set_size`` is said where the
    volume set has more than one volume (ECMA-119 8.4.9 and 8.4.10), else both are 0.
    """

    created: str = ""
    modified: str = ""
    effective: str = ""
    application: str = ""
    boot: tuple[str, ...] = ()
    scripts: tuple[str, ...] = ()
    installers: tuple[str, ...] = ()
    set_name: str = ""
    set_number: int = 0
    set_size: int = 0
