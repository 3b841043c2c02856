"""What a disc says of itself, in the few words that fit into a list."""

from __future__ import annotations

from dataclasses import dataclass

from mediashelf.formats.volume import BootFacts, DiscFacts
from mediashelf.readability.identity.installers import iter_installers
from mediashelf.readability.identity.scripts import scripts_of

READER = 1
"""Raised when the rules change; what an earlier version worked out is then worked out again."""

HYBRID = "hybrid"
BOOT_WORDS = ("BIOS floppy", "BIOS", "BIOS hard disk", "UEFI", HYBRID)
"""Every word that :attr:`DiscSummary.boot` has."""

_EFI = 0xEF  # platform id: UEFI Specification 12.3.2.1, from memory; 0 to 2 are El Torito's
_HARD_DISK = 4  # media types: "El Torito" 1.0, figure 3


@dataclass(frozen=True, slots=True)
class DiscSummary:
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


def summarise(facts: DiscFacts) -> DiscSummary:
    """Return what is known of a disc, opened or on record."""
    volumes = facts.volumes

    def first(values: list[str]) -> str:
        return next(filter(None, values), "")

    in_set = next((each for each in volumes if each.set_size > 1), None)
    return DiscSummary(
        created=first([each.created for each in volumes]),
        modified=first([each.modified for each in volumes]),
        effective=first([each.effective for each in volumes]),
        # Joliet has a longer and less cut text, and comes later.
        application=first([each.identifiers.get("application", "") for each in volumes[::-1]]),
        boot=_boot_words(facts.boot, facts.partition_table),
        scripts=scripts_of(facts),
        installers=tuple(dict.fromkeys(found.family for found in iter_installers(facts))),
        set_name="" if in_set is None else in_set.identifiers.get("volume_set", ""),
        set_number=0 if in_set is None else in_set.set_number,
        set_size=0 if in_set is None else in_set.set_size,
    )


def _boot_words(boot: BootFacts | None, partition_table: str) -> tuple[str, ...]:
    words = {HYBRID} if partition_table else set()
    for entry in boot.entries if boot is not None else ():
        if not entry.is_bootable:
            continue
        if entry.platform_id == _EFI:
            words.add("UEFI")
        elif entry.media_type == 0:
            words.add("BIOS")
        elif entry.media_type == _HARD_DISK:
            words.add("BIOS hard disk")
        else:
            words.add("BIOS floppy")
    return tuple(word for word in BOOT_WORDS if word in words)
