"""A glance at a disc: how it boots, and what is in it; for manifest, table and sheet."""

from __future__ import annotations

from typing import cast

from mediashelf.formats.volume import DiscFacts, VolumeKind
from mediashelf.readability.limits import BOOT_MEDIA, BOOT_PLATFORMS
from mediashelf.sessions.manifests.fields import BootMethod, BootPlatform
from mediashelf.sessions.manifests.parts import BootWay, Contents

TOP_NAMES = 24

# The manifest allows just these words, which a test compares.
_METHOD_WORDS = {number: cast(BootMethod, word) for word, number in BOOT_MEDIA.items()}
_PLATFORM_WORDS = {number: cast(BootPlatform, word) for word, number in BOOT_PLATFORMS.items()}

# The tree whose names are the fullest comes first.
_TREES = (VolumeKind.JOLIET, VolumeKind.ROCKRIDGE, VolumeKind.UDF, VolumeKind.ISO9660)


def boot_ways(facts: DiscFacts) -> tuple[BootWay, ...]:
    """Return the ways to boot that a disc offers, the initial entry first."""
    if facts.boot is None:
        return ()
    return tuple(
        BootWay(
            _METHOD_WORDS.get(entry.media_type & 0x0F, "unknown"),
            _PLATFORM_WORDS.get(entry.platform_id, "unknown"),
        )
        for entry in facts.boot.entries
        if entry.is_bootable
    )


def glance(facts: DiscFacts) -> Contents:
    """Return what a person sees at first: counts, and names in the top folder."""
    volumes = [facts.volume(kind) for kind in _TREES]
    volume = next((one for one in volumes if one is not None and one.entries), None)
    if volume is None:
        return Contents(0, 0, ())
    folders = sum(entry.is_directory for entry in volume.entries)
    top = [entry for entry in volume.entries if entry.parent == "/"]
    names = [entry.name + "/" for entry in top if entry.is_directory]
    names += [entry.name for entry in top if not entry.is_directory]
    return Contents(len(volume.entries) - folders, folders, tuple(names[:TOP_NAMES]))
