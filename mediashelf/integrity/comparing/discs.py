"""What two discs say of themselves, and all their user data, compared."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from mediashelf.formats.fields import View
from mediashelf.formats.volume import SECTOR_SIZE, BootEntry, DiscFacts, VolumeFacts
from mediashelf.image import DiscImage
from mediashelf.integrity.comparing.entries import first_unequal
from mediashelf.integrity.comparing.values import FactDifference, SectorsAlike, SectorsCompared
from mediashelf.text import count_text, size_text
from mediashelf.trees.disc import DiscTree

_PIECE = 1 << 20
_LONGEST_BOOT_IMAGE = 64 << 20  # more than any floppy; a hard disk's is not read whole

_MEDIA = ("no emulation", "1.2 MB floppy", "1.44 MB floppy", "2.88 MB floppy", "hard disk")
"""El Torito 1.0, figure 3, byte 1."""


def compare_sectors(
    one: View, other: View, *, on_bytes: Callable[[int], None] = lambda count: None
) -> SectorsCompared:
    """Read the user data of two discs side by side, until it differs.

    ``OSError`` from a medium propagates.
    """
    common = min(one.size, other.size)
    for at in range(0, common, _PIECE):
        size = min(_PIECE, common - at)
        piece, beside = one.read(at, size), other.read(at, size)
        on_bytes(len(piece) + len(beside))
        if piece != beside:
            return SectorsCompared(SectorsAlike.DIFFERENT, at + first_unequal(piece, beside))
    if one.size == other.size:
        return SectorsCompared(SectorsAlike.EQUAL)
    longer = one if one.size > other.size else other
    for at in range(common, longer.size, _PIECE):
        piece = longer.read(at, min(_PIECE, longer.size - at))
        on_bytes(len(piece))
        if piece.strip(b"\0"):
            first = at + len(piece) - len(piece.lstrip(b"\0"))
            return SectorsCompared(SectorsAlike.DIFFERENT, first)
    return SectorsCompared(SectorsAlike.ZEROS_AFTER, common)


def fact_differences(first_tree: DiscTree, second_tree: DiscTree) -> Iterator[FactDifference]:
    """Yield what two discs say differently: volumes, labels, descriptors, boot, size."""
    one, other = first_tree.image, second_tree.image
    kinds = [volume.kind for image in (one, other) for volume in image.facts.volumes]
    # Volumes of one disc say most things alike: each is told once, with those that say it.
    alike: dict[tuple[str, str, str, bool], list[str]] = {}
    for kind in dict.fromkeys(kinds):
        first, second = one.facts.volume(kind), other.facts.volume(kind)
        if first is None or second is None:
            yield FactDifference(
                f"{kind.words} tree",
                _presence(first_tree.entry_counts.get(kind)),
                _presence(second_tree.entry_counts.get(kind)),
            )
            continue
        for told in _volume_differences(first, second):
            alike.setdefault(told, []).append(kind.words)
    for (name, first_text, second_text, counts), words in alike.items():
        yield FactDifference(f"{name} ({', '.join(words)})", first_text, second_text, counts)
    yield from _boot_differences(one, other)
    yield from _file_differences(one.facts, other.facts)


def _presence(count: int | None) -> str:
    return "" if count is None else count_text(count, "file or folder", "files and folders")


def _volume_differences(
    first: VolumeFacts, second: VolumeFacts
) -> Iterator[tuple[str, str, str, bool]]:
    """Yield name, both values and whether that counts."""
    yield from (
        each
        for each in (
            ("label", first.label, second.label, True),
            ("created", first.created, second.created, False),
            ("modified", first.modified, second.modified, False),
            ("kind", first.detail, second.detail, True),
        )
        if each[1] != each[2]
    )
    for name in dict.fromkeys([*first.identifiers, *second.identifiers]):
        one, other = first.identifiers.get(name, ""), second.identifiers.get(name, "")
        if one != other:
            yield name.replace("_", " "), one, other, False


def _boot_differences(one: DiscImage, other: DiscImage) -> Iterator[FactDifference]:
    first, second = _boot_words(one.facts), _boot_words(other.facts)
    if first != second:
        yield FactDifference("boot", first, second)
        return
    if one.facts.boot is None or other.facts.boot is None:
        return
    for number, (entry, beside) in enumerate(
        zip(one.facts.boot.entries, other.facts.boot.entries, strict=True), 1
    ):
        at = _boot_image_difference(one.view, other.view, entry, beside)
        if at is not None:
            yield FactDifference(
                f"boot image {number}",
                f"{entry.image_size:,} bytes",
                f"{beside.image_size:,} bytes, different from byte {at:,} on",
            )


def _boot_words(facts: DiscFacts) -> str:
    if facts.boot is None:
        return ""
    return "; ".join(map(_entry_words, facts.boot.entries))


def _entry_words(entry: BootEntry) -> str:
    known = entry.media_type < len(_MEDIA)
    media = _MEDIA[entry.media_type] if known else f"medium {entry.media_type}"
    bootable = "" if entry.is_bootable else ", not bootable"
    return (
        f"platform {entry.platform_id:#04x}, {media}, "
        f"{count_text(entry.sector_count, 'sector')}{bootable}"
    )


def _boot_image_difference(
    one: View, other: View, entry: BootEntry, beside: BootEntry
) -> int | None:
    size = min(entry.image_size, beside.image_size, _LONGEST_BOOT_IMAGE)
    for at in range(0, size, _PIECE):
        length = min(_PIECE, size - at)
        piece = one.read(entry.load_lba * SECTOR_SIZE + at, length)
        another = other.read(beside.load_lba * SECTOR_SIZE + at, length)
        if piece != another:
            return at + first_unequal(piece, another)
    return None


def _file_differences(one: DiscFacts, other: DiscFacts) -> Iterator[FactDifference]:
    if one.size != other.size:
        yield FactDifference("size", _size(one.size), _size(other.size), counts=False)
    if one.looks_raw != other.looks_raw:
        words = ("2,048 bytes a sector", "raw sectors")
        yield FactDifference("sectors", words[one.looks_raw], words[other.looks_raw], counts=False)
    if len(one.sessions) != len(other.sessions):
        yield FactDifference("sessions", str(len(one.sessions)), str(len(other.sessions)))


def _size(size: int) -> str:
    return f"{size_text(size)} ({size:,} bytes)"
