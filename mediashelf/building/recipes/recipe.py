r"""Recipes: what goes on a disc, as TOML or from folders alone.

::

    label = "Harbour drivers"    # capitals, digits and _ reach the ISO tree
    targets = ["dos", "win9x"]   # who must read the disc
    machine = "machine.txt"      # whose devices must find their drivers on it
    capacity = "74min"           # or "333000 sectors", "650 MiB"
    index = true                 # INDEX.TXT on the disc; true unless said otherwise
    boot = "boot.img"            # a 1.2, 1.44 or 2.88 MB floppy image is emulated;
                                 # any other file boots without emulation, and may say
                                 # how much is loaded:
                                 # boot = { image = "loader.bin", load_sectors = 4 }

    [[folder]]
    from = "drivers"             # relative to the recipe; a folder, an archive, an image,
                                 # or a folder in one of these: "disc.iso:/DRIVERS/LAN";
                                 # images on shelves by their names: "attic:disc.iso:/LAN"
    to = "/DRIVERS"              # a place on the disc; "/" unless said otherwise
    only = ["*.inf", "video/"]   # patterns: take nothing else (see patterns.py)
    skip = ["*.bak"]             # and leave this out
    unpack = true                # archives and images in the folder become folders of
                                 # their names: LAN.ZIP is LAN, for patterns too
    keep_together = true         # on one disc, when several are built
    order = 1                    # lower numbers on earlier discs; 0 unless said otherwise
    provides = ['PCI\VEN_F4B9&DEV_0100']   # devices that it drives without an INF
    provides_for = ["dos"]       # the targets that holds for; all unless said otherwise
    notes = "Load CDUSB.SYS first"         # printed on the index page

Nothing is opened here but the recipe; sources are looked at when the disc is planned.
"""

from __future__ import annotations

import re
from pathlib import Path

from msgspec import Struct

from mediashelf.building.recipes.capacity import EMULATED_DRIVE, Capacity, parse_capacity
from mediashelf.building.recipes.patterns import Selection
from mediashelf.errors import RecipeError
from mediashelf.tables.reading import TableKind, read_tables
from mediashelf.tables.table import Table

LOAD_SECTORS = 4
"""Virtual sectors of 512 bytes that firmware loads without emulation (common practice)."""


RECIPE_FILE = TableKind(
    "a recipe",
    ("label", "targets", "machine", "capacity", "index", "boot", "folder"),
    RecipeError,
)

_FOLDER_KEYS = {
    "from", "to", "only", "skip", "unpack", "keep_together", "order", "provides",
    "provides_for", "notes",
}  # fmt: skip
_BOOT_KEYS = {"image", "load_sectors"}
_MAX_ORDER = 9999

# Bus and device, as in PCI\VEN_F2C4&DEV_0301, or a plain one such as *PNP0500.
_IDENTIFIER = re.compile(r"([A-Za-z0-9]+\\|\*)[!-~]+")


class SourceFolder(Struct, frozen=True):
    """One folder, archive or image, or a folder in one, whose contents go to one place on the disc.

    ``path`` may go on into it, as ``disc.iso:/DRIVERS`` (see :func:`.open_tree`).
    """

    path: Path
    to: tuple[str, ...] = ()  # the names from the root of the disc down; () is the root
    only: tuple[str, ...] = ()
    skip: tuple[str, ...] = ()
    keep_together: bool = False
    order: int = 0
    provides: tuple[str, ...] = ()  # hardware ids
    provides_for: tuple[str, ...] = ()  # names of targets; () is every one
    notes: str = ""
    unpack: bool = False

    @property
    def is_one_package(self) -> bool:
        """Whether all of it must stay on one disc."""
        return self.keep_together or bool(self.provides)


class BootImage(Struct, frozen=True):
    """The file to boot from; ``load_sectors`` counts only without emulation."""

    path: Path
    load_sectors: int | None = None


class Recipe(Struct, frozen=True):
    """What to put on a disc. ``path`` is the recipe's file, None for folders alone.

    ``machines`` are files that together describe the machine, or several machines;
    whoever composes a disc and drivers reads them.
    """

    label: str
    folders: tuple[SourceFolder, ...]
    targets: tuple[str, ...] = ()
    capacity: Capacity = EMULATED_DRIVE
    boot: BootImage | None = None
    index: bool = True
    path: Path | None = None
    machines: tuple[Path, ...] = ()


def load_recipe(path: Path) -> Recipe:
    """Read a recipe.

    Raises :class:`InputError` when the file cannot be read and
    :class:`RecipeError`, with the file and the key, when it makes no sense.
    """
    return read_tables(path, RECIPE_FILE, lambda table: _recipe(table, path))


def _recipe(table: Table, path: Path) -> Recipe:
    """Return what the tables say; paths count from the folder of ``path``."""
    base = path.parent
    folders = tuple(_folder(entry, base) for entry in table.tables("folder", _FOLDER_KEYS))
    if not folders:
        raise RecipeError("no [[folder]] says what goes on the disc")
    capacity = table.text("capacity")
    return Recipe(
        table.text("label") or path.stem,
        folders,
        table.texts("targets", "targets"),
        parse_capacity(capacity) if capacity else EMULATED_DRIVE,
        _boot(table, base) if "boot" in table else None,
        table.flag("index") is not False,
        path,
        table.paths("machine", base),
    )


def _folder(table: Table, base: Path) -> SourceFolder:
    source = table.path(
        "from", base, needed="it names a folder, archive or image beside this recipe"
    )
    assert source is not None
    folder = SourceFolder(
        source,
        _place_on_disc(table),
        table.texts("only", "patterns"),
        table.texts("skip", "patterns"),
        table.flag("keep_together") or False,
        table.number("order", -_MAX_ORDER, _MAX_ORDER) or 0,
        table.texts("provides", "hardware ids"),
        table.texts("provides_for", "targets"),
        table.text("notes"),
        table.flag("unpack") or False,
    )
    try:
        Selection(folder.only, folder.skip)
    except RecipeError as error:
        raise table.error(str(error)) from error
    if not all(_IDENTIFIER.fullmatch(identifier) for identifier in folder.provides):
        raise table.wrong("provides", r"hardware ids such as 'PCI\VEN_F2C4&DEV_0301'")
    if folder.provides_for and not folder.provides:
        raise table.error("provides_for says for whom, but no provides says what")
    return folder


def _place_on_disc(table: Table) -> tuple[str, ...]:
    parts = tuple(part for part in table.text("to").split("/") if part)
    if any(part in (".", "..") or "\\" in part or "\0" in part for part in parts):
        raise table.wrong("to", "a place on the disc such as '/DRIVERS/VIDEO'")
    return parts


def _boot(recipe: Table, base: Path) -> BootImage:
    value = recipe.value("boot")
    path = recipe.path("boot", base) if isinstance(value, str) else None
    if path is not None:
        return BootImage(path)
    if not isinstance(value, dict):
        raise recipe.wrong("boot", "a path, or a table with image")
    table = recipe.table("boot", _BOOT_KEYS)
    image = table.path("image", base, needed="it names the file to boot from")
    assert image is not None
    # El Torito 1.0 figure 3: a 16-bit count of virtual sectors.
    return BootImage(image, table.number("load_sectors", 1, 0xFFFF))
