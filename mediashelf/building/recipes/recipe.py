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
    from = "drivers"             # relative to the recipe; a folder, or a .zip
    to = "/DRIVERS"              # a place on the disc; "/" unless said otherwise
    only = ["*.inf", "video/"]   # patterns: take nothing else (see patterns.py)
    skip = ["*.bak"]             # and leave this out
    keep_together = true         # on one disc, when several are built
    order = 1                    # lower numbers on earlier discs; 0 unless said otherwise
    provides = ['PCI\VEN_F4B9&DEV_0100']   # devices that it drives without an INF
    provides_for = ["dos"]       # the targets that holds for; all unless said otherwise
    notes = "Load CDUSB.SYS first"         # stands on the index page

Nothing is opened here but the recipe; sources are looked at when the disc is planned.
"""

from __future__ import annotations

import os
import re
import tomllib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from mediashelf.building.recipes.capacity import EMULATED_DRIVE, Capacity, parse_capacity
from mediashelf.building.recipes.patterns import Selection
from mediashelf.building.recipes.recipe_table import RecipeTable
from mediashelf.errors import InputError, RecipeError

LOAD_SECTORS = 4
"""Virtual sectors of 512 bytes that firmware loads without emulation (common practice)."""

ARCHIVE_SUFFIX = ".zip"

_KEYS = {"label", "targets", "machine", "capacity", "index", "boot", "folder"}
_FOLDER_KEYS = {
    "from", "to", "only", "skip", "keep_together", "order", "provides", "provides_for", "notes",
}  # fmt: skip
_BOOT_KEYS = {"image", "load_sectors"}
_MAX_RECIPE = 1 << 20
_MAX_ORDER = 9999

# Bus and device, as in PCI\VEN_F2C4&DEV_0301, or a plain one such as *PNP0500.
_IDENTIFIER = re.compile(r"([A-Za-z0-9]+\\|\*)[!-~]+")


@dataclass(frozen=True, slots=True)
class SourceFolder:
    """One folder, or one ZIP archive, whose contents go to one place on the disc."""

    path: Path
    to: tuple[str, ...] = ()  # the names from the root of the disc down; () is the root
    only: tuple[str, ...] = ()
    skip: tuple[str, ...] = ()
    keep_together: bool = False
    order: int = 0
    provides: tuple[str, ...] = ()  # hardware ids
    provides_for: tuple[str, ...] = ()  # names of targets; () is every one
    notes: str = ""

    @property
    def is_one_package(self) -> bool:
        """Whether all of it must stay on one disc."""
        return self.keep_together or bool(self.provides)


@dataclass(frozen=True, slots=True)
class BootImage:
    """The file to boot from; ``load_sectors`` counts only without emulation."""

    path: Path
    load_sectors: int | None = None


@dataclass(frozen=True, slots=True)
class Recipe:
    """What to put on a disc. ``path`` is the recipe's file, None for folders alone.

    ``machine`` is a file that describes a machine; whoever composes a disc and
    drivers reads it.
    """

    label: str
    folders: tuple[SourceFolder, ...]
    targets: tuple[str, ...] = ()
    capacity: Capacity = EMULATED_DRIVE
    boot: BootImage | None = None
    index: bool = True
    path: Path | None = None
    machine: Path | None = None


def is_source(path: Path) -> bool:
    """Whether a disc can be built from what is at ``path`` without a recipe."""
    return path.is_dir() or path.suffix.lower() == ARCHIVE_SUFFIX


def recipe_from_folders(
    folders: Sequence[Path],
    *,
    label: str = "",
    targets: Iterable[str] = (),
    capacity: Capacity = EMULATED_DRIVE,
    boot: BootImage | None = None,
    index: bool = True,
) -> Recipe:
    """Return a recipe for folders (or archives) without a file.

    The contents of a single folder become the contents of the disc; each of
    several folders keeps its name, as a folder in the root.
    """
    if not folders:
        raise RecipeError("nothing to put on the disc: name a recipe or at least one folder")
    named = [(folder, own_name(folder)) for folder in folders]
    sources = tuple(
        SourceFolder(folder, (name,) if len(named) > 1 and name else ()) for folder, name in named
    )
    return Recipe(label or named[0][1], sources, tuple(targets), capacity, boot, index)


def own_name(folder: Path) -> str:
    """Return what a source is called on a disc: its last name, an archive's without ``.zip``."""
    # abspath() gives '.', '..' and 'a/..' the names of the folders they stand for.
    name = os.path.basename(os.path.abspath(folder))  # noqa: PTH100, PTH119
    is_archive = name.lower().endswith(ARCHIVE_SUFFIX) and not folder.is_dir()
    return name[: -len(ARCHIVE_SUFFIX)] if is_archive else name


def load_recipe(path: Path) -> Recipe:
    """Read a recipe.

    Raises :class:`InputError` when the file cannot be read and
    :class:`RecipeError`, with the file and the key, when it makes no sense.
    """
    try:
        with path.open("rb") as stream:
            data = stream.read(_MAX_RECIPE + 1)
    except OSError as error:
        raise InputError(f"{path}: cannot be read: {error.strerror or error}") from error
    try:
        if len(data) > _MAX_RECIPE:
            raise RecipeError("is larger than 1 MiB; that is no recipe")
        return parse_recipe(data.decode("utf-8"), path)
    except UnicodeDecodeError as error:
        raise RecipeError(f"{path}: is not UTF-8 text (byte {error.start:,})") from error
    except tomllib.TOMLDecodeError as error:
        hint = "; put texts with \\ between single quotes" if "\\" in str(error) else ""
        raise RecipeError(f"{path}: {error}{hint}") from error
    except RecipeError as error:
        raise RecipeError(f"{path}: {error}") from error


def parse_recipe(text: str, path: Path) -> Recipe:
    """Return the recipe in ``text``; its paths count from the folder of ``path``.

    Raises :class:`RecipeError` and ``tomllib.TOMLDecodeError``, both without the file.
    """
    table, base = RecipeTable(tomllib.loads(text), _KEYS), path.parent
    folders = tuple(_folder(entry, base) for entry in table.tables("folder", _FOLDER_KEYS))
    if not folders:
        raise RecipeError("no [[folder]] says what goes on the disc")
    capacity = table.text("capacity")
    return Recipe(
        table.text("label") or path.stem,
        folders,
        table.texts("targets", "names"),
        parse_capacity(capacity) if capacity else EMULATED_DRIVE,
        _boot(table, base) if "boot" in table else None,
        table.flag("index", True),
        path,
        table.path("machine", base),
    )


def _folder(table: RecipeTable, base: Path) -> SourceFolder:
    source = table.path("from", base)
    if source is None:
        raise table.error("'from' is missing; it names a folder or a .zip beside this recipe")
    folder = SourceFolder(
        source,
        _place_on_disc(table),
        table.texts("only", "patterns"),
        table.texts("skip", "patterns"),
        table.flag("keep_together", False),
        table.number("order", -_MAX_ORDER, _MAX_ORDER, 0) or 0,
        table.texts("provides", "hardware ids"),
        table.texts("provides_for", "targets"),
        table.text("notes"),
    )
    try:
        Selection(folder.only, folder.skip)
    except RecipeError as error:
        raise table.error(str(error)) from error
    for identifier in folder.provides:
        if not _IDENTIFIER.fullmatch(identifier):
            raise table.error(
                f"'provides' names {identifier!r}, expected a hardware id "
                r"such as 'PCI\VEN_F2C4&DEV_0301'"
            )
    if folder.provides_for and not folder.provides:
        raise table.error("'provides_for' says for whom, but no 'provides' says what")
    return folder


def _place_on_disc(table: RecipeTable) -> tuple[str, ...]:
    text = table.text("to")
    parts = tuple(part for part in text.split("/") if part)
    if any(part in (".", "..") or "\\" in part or "\0" in part for part in parts):
        raise table.error(
            f"'to' is {text!r}, expected a place on the disc such as '/DRIVERS/VIDEO'"
        )
    return parts


def _boot(recipe: RecipeTable, base: Path) -> BootImage:
    value = recipe.value("boot")
    path = recipe.path("boot", base) if isinstance(value, str) else None
    if path is not None:
        return BootImage(path)
    if not isinstance(value, dict):
        raise RecipeError(f"'boot' must be a path or a table with 'image', found {value!r}")
    table = RecipeTable(value, _BOOT_KEYS, "boot: ")
    image = table.path("image", base)
    if image is None:
        raise table.error("'image' is missing; it names the file to boot from")
    # El Torito 1.0 figure 3: a 16-bit count of virtual sectors.
    return BootImage(image, table.number("load_sectors", 1, 0xFFFF, None))
