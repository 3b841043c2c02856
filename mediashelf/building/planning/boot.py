"""The boot image of a disc (El Torito 1.0): emulated floppy, or no emulation."""

from __future__ import annotations

import os
import stat

from msgspec import Struct

from mediashelf.building.recipes.recipe import LOAD_SECTORS, BootImage
from mediashelf.building.tree import Content, DiscFile
from mediashelf.errors import InputError, RecipeError
from mediashelf.findings import Finding, Severity
from mediashelf.formats.volume import BootEntry, BootFacts
from mediashelf.system import real_path

VIRTUAL_SECTOR = 512  # El Torito 1.0, figure 3: 200 hexadecimal
NO_EMULATION = 0

# El Torito 1.0, figure 3, for the media; 80 tracks x 2 sides x 15, 18 or 36 sectors.
FLOPPY_MEDIA = {1_228_800: 1, 1_474_560: 2, 2_949_120: 3}

_FLOPPY_LOAD_SECTORS = 1  # EDD-4 working draft, table 17: normally 1 for a floppy image


class PlannedBoot(Struct, frozen=True):
    """What the boot catalog will say about the image."""

    content: Content
    media_type: int
    load_sectors: int

    @property
    def is_emulated(self) -> bool:
        """Whether firmware shows the image as a floppy disk."""
        return self.media_type != NO_EMULATION

    def as_file(self, name: str) -> DiscFile:
        """Return the image as a file of the disc: its writer boots from nothing else."""
        modified = self.content.modified_ns // 1_000_000_000
        return DiscFile(name, self.content, modified)

    def facts(self, catalog: Content) -> BootFacts:
        """Return what a reader of the finished disc will find."""
        size = self.content.size if self.is_emulated else self.load_sectors * VIRTUAL_SECTOR
        entry = BootEntry(0, True, self.media_type, 0, 0, self.load_sectors, self.content.lba, size)
        return BootFacts(catalog.lba, "", True, (entry,))

    def check(self) -> list[Finding]:
        """Return what may keep the disc from booting."""
        loaded = self.load_sectors * VIRTUAL_SECTOR
        if self.is_emulated or loaded <= self.content.size + VIRTUAL_SECTOR - 1:
            return []
        return [
            Finding(
                "boot-image-short",
                Severity.NOTE,
                self.content.path,
                f"{loaded:,} bytes are loaded at the start, more than the image has; "
                "what follows it on the disc is loaded with it",
                "set load_sectors to what the image needs",
                found=f"{self.content.size:,} bytes",
                expected=f"at least {loaded:,} bytes",
            )
        ]


def plan_boot(image: BootImage) -> PlannedBoot:
    """Look at the boot image's size and decide how it boots.

    Raises :class:`InputError` when there is no such file, and
    :class:`RecipeError` when the recipe asks for what is not possible.
    """
    path = real_path(image.path)
    try:
        facts = os.stat(path)  # noqa: PTH116
    except OSError as error:
        raise InputError(f"{image.path}: boot image: {error.strerror or error}") from error
    if not stat.S_ISREG(facts.st_mode) or not facts.st_size:
        raise InputError(f"{image.path}: boot image: is empty, or not a regular file")
    media_type = FLOPPY_MEDIA.get(facts.st_size, NO_EMULATION)
    if media_type and image.load_sectors is not None:
        raise RecipeError(
            f"{image.path}: has the size of a floppy and is booted as one; "
            "'load_sectors' is only for images without emulation"
        )
    load_sectors = _FLOPPY_LOAD_SECTORS if media_type else image.load_sectors or LOAD_SECTORS
    content = Content(path, facts.st_size, facts.st_mtime_ns)
    return PlannedBoot(content, media_type, load_sectors)
