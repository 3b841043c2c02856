"""Work out of a disc's facts what it says of itself, in the few words that fit into a list."""

from __future__ import annotations

from mediashelf.formats.disc_summary import BOOT_WORDS, HYBRID, DiscSummary
from mediashelf.formats.volume import BootFacts, DiscFacts, VolumeFacts
from mediashelf.readability.identity.installers import iter_installers
from mediashelf.readability.identity.scripts import scripts_of

_EFI = 0xEF  # platform id: UEFI Specification 12.3.2.1, from memory; 0 to 2 are El Torito's
_HARD_DISK = 4  # media types: "El Torito" 1.0, figure 3


_LARGEST_SET = 1000
"""Discs: what says more is damage, not a set (own behaviour; ECMA-119 8.4.9 allows 65,535)."""


def summarise(facts: DiscFacts) -> DiscSummary:
    """Return what is known of a disc, opened or on record."""
    volumes = facts.volumes

    def first(values: list[str]) -> str:
        return next(filter(None, values), "")

    in_set = next(filter(_has_place_in_set, volumes), None)
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


def _has_place_in_set(volume: VolumeFacts) -> bool:
    return 0 < volume.set_number <= volume.set_size and 1 < volume.set_size <= _LARGEST_SET


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
