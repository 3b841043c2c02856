"""A glance at a disc: how it boots, and what is in it; for manifest, table and sheet."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field

from mediashelf.formats.volume import DiscFacts, Entry, VolumeKind
from mediashelf.readability.limits import BOOT_MEDIA, BOOT_PLATFORMS
from mediashelf.sessions.manifests.values import BootWay, Contents, SpaceShare

TOP_NAMES = 24

AREAS = (11, 5)
"""How many parts of a disc are named, by level; the rest of each level is one more."""

_LEVELS = len(AREAS)

_METHOD_WORDS = {number: word for word, number in BOOT_MEDIA.items()}
_PLATFORM_WORDS = {number: word for word, number in BOOT_PLATFORMS.items()}

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
        tuple(_largest(_parts(volume.entries), AREAS)),
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


def _largest(parts: dict[str, _Part], limits: Sequence[int]) -> Iterator[SpaceShare]:
    """Yield the largest parts, then one for the rest; ``limits`` has a number for each level."""
    limit, *deeper = limits
    ranked = sorted(parts.items(), key=lambda item: (-item[1].size, item[0]))
    for name, part in ranked[:limit]:
        inside = tuple(_largest(part.inside, deeper)) if deeper and part.inside else ()
        yield SpaceShare(name, part.size, part.files, inside)
    rest = [part for _, part in ranked[limit:]]
    if rest:
        yield SpaceShare("", sum(part.size for part in rest), sum(part.files for part in rest))
