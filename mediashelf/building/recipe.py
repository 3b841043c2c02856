"""Recipes: what goes on a disc, as TOML or from folders alone.

::

    label = "Harbour drivers"    # capitals, digits and _ reach the ISO tree
    targets = ["dos", "win9x"]   # who must read the disc
    capacity = "74min"           # or "333000 sectors", "650 MiB"
    index = true                 # INDEX.TXT on the disc; true unless said otherwise
    boot = "boot.img"            # a 1.2, 1.44 or 2.88 MB floppy image is emulated;
                                 # any other file boots without emulation, and may say
                                 # how much is loaded:
                                 # boot = { image = "loader.bin", load_sectors = 4 }

    [[folder]]
    from = "drivers"             # relative to the recipe
    to = "/DRIVERS"              # a place on the disc; "/" unless said otherwise

Nothing is opened here but the recipe; folders are looked at when the disc is planned.
"""

from __future__ import annotations

import os
import tomllib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from mediashelf.building.capacity import EMULATED_DRIVE, Capacity, parse_capacity
from mediashelf.errors import InputError, RecipeError
from mediashelf.text import did_you_mean

LOAD_SECTORS = 4
"""Virtual sectors of 512 bytes that firmware loads without emulation (common practice)."""

_KEYS = {"label", "targets", "capacity", "index", "boot", "folder"}
_FOLDER_KEYS = {"from", "to"}
_BOOT_KEYS = {"image", "load_sectors"}
_MAX_RECIPE = 1 << 20


@dataclass(frozen=True, slots=True)
class SourceFolder:
    """One folder whose contents go to one place on the disc."""

    path: Path
    to: tuple[str, ...] = ()  # the names from the root of the disc down; () is the root


@dataclass(frozen=True, slots=True)
class BootImage:
    """The file to boot from; ``load_sectors`` counts only without emulation."""

    path: Path
    load_sectors: int | None = None


@dataclass(frozen=True, slots=True)
class Recipe:
    """What to put on a disc. ``path`` is the recipe's file, None for folders alone."""

    label: str
    folders: tuple[SourceFolder, ...]
    targets: tuple[str, ...] = ()
    capacity: Capacity = EMULATED_DRIVE
    boot: BootImage | None = None
    index: bool = True
    path: Path | None = None


def recipe_from_folders(
    folders: Sequence[Path],
    *,
    label: str = "",
    targets: Iterable[str] = (),
    capacity: Capacity = EMULATED_DRIVE,
    boot: BootImage | None = None,
    index: bool = True,
) -> Recipe:
    """Return a recipe for folders without a file.

    The contents of a single folder become the contents of the disc; each of
    several folders keeps its name, as a folder in the root.
    """
    if not folders:
        raise RecipeError("nothing to put on the disc: name a recipe or at least one folder")
    named = [(folder, _own_name(folder)) for folder in folders]
    sources = tuple(
        SourceFolder(folder, (name,) if len(named) > 1 and name else ()) for folder, name in named
    )
    return Recipe(label or named[0][1], sources, tuple(targets), capacity, boot, index)


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
        return _recipe(tomllib.loads(data.decode("utf-8")), path)
    except UnicodeDecodeError as error:
        raise RecipeError(f"{path}: is not UTF-8 text (byte {error.start:,})") from error
    except (tomllib.TOMLDecodeError, RecipeError) as error:
        raise RecipeError(f"{path}: {error}") from error


def _recipe(table: Mapping[str, Any], path: Path) -> Recipe:
    _check_keys(table, _KEYS, "")
    base = path.parent
    entries = table.get("folder")
    if not isinstance(entries, list) or not all(isinstance(entry, dict) for entry in entries):
        raise RecipeError("no [[folder]] says what goes on the disc")
    targets = table.get("targets", [])
    if not isinstance(targets, list) or not all(isinstance(name, str) for name in targets):
        raise RecipeError(f"'targets' must be a list of names, found {targets!r}")
    index = table.get("index", True)
    if not isinstance(index, bool):
        raise RecipeError(f"'index' must be true or false, found {index!r}")
    capacity = _text(table, "capacity", "")
    return Recipe(
        _text(table, "label", "") or path.stem,
        tuple(_folder(entry, number, base) for number, entry in enumerate(entries, start=1)),
        tuple(targets),
        parse_capacity(capacity) if capacity else EMULATED_DRIVE,
        _boot(table["boot"], base) if "boot" in table else None,
        index,
        path,
    )


def _folder(entry: Mapping[str, Any], number: int, base: Path) -> SourceFolder:
    place = f"folder {number}: "
    _check_keys(entry, _FOLDER_KEYS, place)
    source = _text(entry, "from", place)
    if not source:
        raise RecipeError(f"{place}'from' is missing; it names a folder beside this recipe")
    return SourceFolder(_beside(base, source, place), _place_on_disc(entry, place))


def _place_on_disc(entry: Mapping[str, Any], place: str) -> tuple[str, ...]:
    text = _text(entry, "to", place)
    parts = tuple(part for part in text.split("/") if part)
    if any(part in (".", "..") or "\\" in part or "\0" in part for part in parts):
        raise RecipeError(
            f"{place}'to' is {text!r}, expected a place on the disc such as '/DRIVERS/VIDEO'"
        )
    return parts


def _boot(value: object, base: Path) -> BootImage:
    if isinstance(value, str) and value:
        return BootImage(_beside(base, value, "'boot': "))
    if not isinstance(value, dict):
        raise RecipeError(f"'boot' must be a path or a table with 'image', found {value!r}")
    _check_keys(value, _BOOT_KEYS, "boot: ")
    image = _text(value, "image", "boot: ")
    if not image:
        raise RecipeError("boot: 'image' is missing; it names the file to boot from")
    sectors = value.get("load_sectors")
    # El Torito 1.0 figure 3: a 16-bit count of virtual sectors.
    if sectors is not None and (type(sectors) is not int or not 1 <= sectors <= 0xFFFF):
        raise RecipeError(f"boot: 'load_sectors' must be from 1 to 65535, found {sectors!r}")
    return BootImage(_beside(base, image, "boot: "), sectors)


def _check_keys(table: Mapping[str, Any], known: set[str], place: str) -> None:
    for key in table:
        if key not in known:
            hint = did_you_mean(key, known) or f"; known: {', '.join(sorted(known))}"
            raise RecipeError(f"{place}unknown key {key!r}{hint}")


def _text(table: Mapping[str, Any], key: str, place: str) -> str:
    value = table.get(key, "")
    if not isinstance(value, str):
        raise RecipeError(f"{place}{key!r} must be text, found {value!r}")
    return value


def _beside(base: Path, text: str, place: str) -> Path:
    if "\0" in text:
        raise RecipeError(f"{place}{text!r} is no path")
    return base / text


def _own_name(folder: Path) -> str:
    # abspath() gives '.', '..' and 'a/..' the names of the folders they stand for.
    return os.path.basename(os.path.abspath(folder))  # noqa: PTH100, PTH119
