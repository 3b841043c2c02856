"""An image on screen: its volumes, boot methods, trees and findings."""

from __future__ import annotations

import sys
from collections.abc import Iterable
from itertools import compress

import click

from mediashelf.building.recipes.capacity import EMULATED_DRIVE, NAMED
from mediashelf.cli.image.show_json import udf_revision_text
from mediashelf.cli.image.show_tree import TreeText
from mediashelf.cli.render import (
    NOT_LOOKED_AT,
    say,
    say_findings,
    say_wrapped,
    summary,
    terminal_width,
)
from mediashelf.findings import Severity
from mediashelf.formats.entries import iter_folders
from mediashelf.formats.iso.boot_catalog import PLATFORMS
from mediashelf.formats.volume import (
    SECTOR_SIZE,
    BootEntry,
    BootFacts,
    DiscFacts,
    VolumeFacts,
)
from mediashelf.image import DiscImage
from mediashelf.text import count_text, size_text, wrap

LABEL_WIDTH = 10
PLACES_SHOWN = 3  # of one rule, without --all
MEDIA_SHOWN = ("74min", "80min")
MEDIA_TYPES = {
    0: "no emulation",
    1: "1.2 MB floppy",
    2: "1.44 MB floppy",
    3: "2.88 MB floppy",
    4: "hard disk",
}


def say_image(
    image: DiscImage,
    volumes: tuple[VolumeFacts, ...],
    *,
    tree: bool,
    show_all: bool,
    quiet: bool,
    is_one: bool,
) -> None:
    """Print what an image holds; with ``quiet`` what needs attention, under its path if asked."""
    if not quiet:
        _say_size(image.facts)
        if image.facts.looks_raw:
            say()
            # Loaded only for images of raw sectors.
            from mediashelf.cli.image.show_tracks import say_tracks

            say_tracks(image.path)
        for volume in volumes:
            say()
            _say_volume(volume)
        if not volumes and image.facts.volumes:
            kinds = ", ".join(volume.kind.value for volume in image.facts.volumes)
            say_wrapped(f"No volume of that kind; this disc has: {kinds}")
        if image.facts.boot is not None:
            say()
            _say_boot(image.facts.boot)
    if tree:
        text = TreeText()
        for volume in volumes:
            _say_tree(volume, text, quiet)
    _say_findings(image, show_all=show_all, quiet=quiet, is_named=quiet and not is_one)


def say_pair(label: str, text: str) -> None:
    """Print a label and its text; a long text goes on below itself."""
    for line in wrap(text, terminal_width(), lead=label.ljust(LABEL_WIDTH) + " "):
        click.echo(line)


def _say_size(facts: DiscFacts) -> None:
    sectors = -(-facts.size // SECTOR_SIZE)
    exact = f", {facts.size:,} bytes" if facts.size >= 1024 else ""
    say_pair("size", f"{size_text(facts.size)}{exact}, {count_text(sectors, 'sector')}")
    if facts.looks_raw:
        return
    first = next((volume for volume in facts.volumes if volume.block_count), None)
    if first is not None:
        say_pair("volume", _against_size(first, facts.size))
    capacities = [NAMED[name] for name in MEDIA_SHOWN] + [EMULATED_DRIVE]
    say_pair(
        "space used",
        ", ".join(f"{c.percent_of(facts.size):.1f} % of {c.name}" for c in capacities),
    )


def _against_size(volume: VolumeFacts, size: int) -> str:
    """Say how the size that a volume gives itself compares with the image's."""
    volume_size = volume.block_count * volume.block_size
    blocks = f"{volume.block_count:,} blocks"
    if volume.block_size != SECTOR_SIZE:
        blocks += f" of {volume.block_size:,} bytes"
    if volume_size == size:
        return f"{blocks}, exactly the image"
    if volume_size > size:
        return f"{blocks}, {size_text(volume_size - size)} more than the image has"
    return f"{blocks}, then {size_text(size - volume_size)} in the image"


def _say_volume(volume: VolumeFacts) -> None:
    words = [f'"{volume.label}"' if volume.label else "no label"]
    if volume.detail:
        words.append(volume.detail)
    revision = udf_revision_text(volume)
    if revision:
        words.append(f"revision {revision}")
    say_pair(volume.kind.value, ", ".join(words))
    say_pair("  holds", _holdings(volume))
    for label, text in (("  made", volume.created), ("  changed", volume.modified)):
        if text:
            say_pair(label, text.replace("T", " ").replace("+00:00", " UTC"))
    for name, text in volume.identifiers.items():
        say_pair("  text", f"{name.replace('_', ' ')}: {text}")


def _holdings(volume: VolumeFacts) -> str:
    if not volume.entries_read:
        return "contents not read"
    size = folder_count = 0
    for folder in iter_folders(volume.entries):
        folder_count += sum(folder.are_folders)
        size += sum(folder.sizes) - sum(compress(folder.sizes, folder.are_folders))
    text = (
        f"{count_text(len(volume.entries) - folder_count, 'file')}, "
        f"{count_text(folder_count, 'folder')}, "
        f"{size_text(size)}"
    )
    return text if volume.is_complete else f"{text}; some of it could not be read"


def _say_boot(boot: BootFacts) -> None:
    words = [f"catalog at LBA {boot.catalog_lba}"]
    words.append("checksum right" if boot.checksum_is_valid else "checksum wrong")
    if boot.id_text:
        words.append(f'id "{boot.id_text}"')
    say_pair("boot", ", ".join(words))
    for entry in boot.entries:
        label = f"  part {entry.section}" if entry.section else "  first"
        say_pair(label, _boot_entry(entry))


def _boot_entry(entry: BootEntry) -> str:
    platform = PLATFORMS.get(entry.platform_id, f"platform {entry.platform_id:#04x}")
    media = MEDIA_TYPES.get(entry.media_type, f"media type {entry.media_type}")
    words = [platform, media, f"{size_text(entry.image_size)} at LBA {entry.load_lba}"]
    if not entry.is_bootable:
        words.append("marked not bootable")
    return ", ".join(words)


def _say_tree(volume: VolumeFacts, text: TreeText, quiet: bool) -> None:
    if not quiet:
        say()
    kind = f"{volume.kind.value} tree" + (f" ({volume.detail})" if volume.is_enhanced else "")
    click.echo(kind)
    if not volume.entries_read:
        say("  contents not read")
    write_text(text.pieces(volume))


def _say_findings(image: DiscImage, *, show_all: bool, quiet: bool, is_named: bool) -> None:
    findings = [
        finding for finding in image.findings if not quiet or finding.severity > Severity.NOTE
    ]
    if not quiet:
        say()
        say_pair("findings", f"{summary(image.findings)}; {NOT_LOOKED_AT}")
    if findings and is_named:
        say_wrapped(f"{image.path}:")
    if findings:
        say_findings(findings, limit=0 if show_all else PLACES_SHOWN)


def write_text(pieces: Iterable[str]) -> None:
    """Print lines that are safe already; what click does to each takes as long as to make them."""
    for piece in pieces:
        sys.stdout.write(piece)
