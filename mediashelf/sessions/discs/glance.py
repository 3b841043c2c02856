"""A glance at a disc: how it boots, and what is in it; for manifest, table and sheet."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from typing import cast

from mediashelf.formats.volume import DiscFacts, Entry, VolumeKind
from mediashelf.readability.limits import BOOT_MEDIA, BOOT_PLATFORMS
from mediashelf.sessions.manifests.fields import BootMethod, BootPlatform
from mediashelf.sessions.manifests.parts import BootWay, Contents, InnerShare, SpaceShare

TOP_NAMES = 24

AREAS = (11, 5)
"""How many parts of a disc are named, by level; the rest of each level is one more."""

_LEVELS = len(AREAS)

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
    """Return what a person sees at first: counts, names in the top folder, the largest parts."""
    volumes = [facts.volume(kind) for kind in _TREES]
    volume = next((one for one in volumes if one is not None and one.entries), None)
    if volume is None:
        return Contents(0, 0, ())
    folders = sum(entry.is_directory for entry in volume.entries)
    top = [entry for entry in volume.entries if entry.parent == "/"]
    names = [entry.name + "/" for entry in top if entry.is_directory]
    names += [entry.name for entry in top if not entry.is_directory]
    return Contents(
        len(volume.entries) - folders,
        folders,
        tuple(names[:TOP_NAMES]),
        tuple(_shares(_parts(volume.entries))),
    )


@dataclass(slots=True)
class _Part:
    """A file or folder while its bytes are counted."""

    size: int = 0
    files: int = 0
    inside: dict[str, _Part] = field(default_factory=dict)


def _parts(entries: Iterable[Entry]) -> dict[str, _Part]:
    """Return the bytes of everything in the top folder and one level below, by name."""
    parts: dict[str, _Part] = {}
    for entry in entries:
        if entry.is_directory or not entry.size:
            continue
        names = entry.path.strip("/").split("/")
        level = parts
        for depth, name in enumerate(names[:_LEVELS], start=1):
            part = level.setdefault(name if depth == len(names) else f"{name}/", _Part())
            part.size += entry.size
            part.files += 1
            level = part.inside
    return parts


def _shares(parts: dict[str, _Part]) -> Iterator[SpaceShare]:
    """Yield the largest parts of the top folder, each with the largest inside."""
    outer, inner = AREAS
    for name, part in _largest(parts, outer):
        inside = tuple(
            InnerShare(name, one.size, one.files) for name, one in _largest(part.inside, inner)
        )
        yield SpaceShare(name, part.size, part.files, inside)


def _largest(parts: dict[str, _Part], most: int) -> Iterator[tuple[str, _Part]]:
    """Yield the ``most`` largest parts, largest first, then one without a name for the rest."""
    ranked = sorted(parts.items(), key=lambda item: (-item[1].size, item[0]))
    yield from ranked[:most]
    rest = [part for _, part in ranked[most:]]
    if rest:
        yield "", _Part(sum(part.size for part in rest), sum(part.files for part in rest))
