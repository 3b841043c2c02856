"""A recipe to begin with: what was found as comments, every key as it could be used."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from msgspec import Struct

from mediashelf.building.recipes.capacity import EMULATED_DRIVE, NAMED, Capacity
from mediashelf.errors import RecipeError
from mediashelf.formats.volume import SECTOR_SIZE
from mediashelf.tables.paths import can_be_written, path_from
from mediashelf.text import count_text, printable, size_text, toml_quoted

PACKAGES_NAMED = 100
"""Packages that a draft names for one source; more are counted."""

IDENTIFIERS_NAMED = 3

# Blanks that are to be had (common practice), and then what only an emulated drive takes.
_SUGGESTED = (NAMED["74min"], NAMED["80min"], EMULATED_DRIVE)


class FoundPackage(Struct, frozen=True):
    """One package in a source: where it is below it, and what there is to say of it.

    ``identifiers`` are those of the machine's devices that its own files name.
    """

    place: str
    text: str
    identifiers: tuple[str, ...] = ()


class DraftSource(Struct, frozen=True):
    """One source of a draft. ``programs`` are folders of drivers that come without an INF.

    Those can say themselves which devices they drive, in a folder of their own.
    """

    path: Path
    to: str
    packages: tuple[FoundPackage, ...] = ()
    programs: tuple[FoundPackage, ...] = ()


class RecipeDraft(Struct, frozen=True):
    """Everything that a draft says. ``size`` is that of the disc as planned, in bytes.

    ``devices`` are lines about the devices of ``machines``, for people.
    """

    label: str
    sources: tuple[DraftSource, ...]
    targets: tuple[str, ...]
    size: int
    file_count: int
    source_size: int
    machines: tuple[Path, ...] = ()
    devices: tuple[str, ...] = ()


def suggested_capacity(size: int) -> Capacity | None:
    """Return the first usual medium that holds ``size`` bytes, None when none does."""
    return next((capacity for capacity in _SUGGESTED if size <= capacity.size), None)


def draft_recipe(draft: RecipeDraft, folder: Path) -> str:
    """Return the text of a recipe for ``folder``, from which its paths count.

    Raises :class:`RecipeError` for a source whose path is not valid text, so that a recipe
    cannot say it.
    """
    lines = [*_head(draft, folder)]
    for source in draft.sources:
        lines += ["", *_source(source, draft, folder)]
    return "\n".join(lines) + "\n"


def _head(draft: RecipeDraft, folder: Path) -> Iterator[str]:
    yield "# What goes on a disc. Every path counts from the folder of this file. Then:"
    yield "#   mediashelf build FILE --dry-run"
    yield "#   mediashelf build FILE -o DISC.iso"
    yield f"label = {toml_quoted(draft.label)}"
    targets = ", ".join(toml_quoted(target) for target in draft.targets or ("dos", "win9x"))
    yield f"{'' if draft.targets else '# '}targets = [{targets}]  # who must read it"
    yield ""
    if draft.machines:
        yield "# A device that has a driver in the folders must have it on the disc as well."
        paths = ", ".join([_path(path, folder) for path in draft.machines])
        yield f"machine = {paths if len(draft.machines) == 1 else f'[{paths}]'}"
        yield from (f"#   {printable(line)}" for line in draft.devices)
    else:
        yield '# machine = "machine.txt"  # output of lspci -nn: has every device a driver here?'
    yield ""
    yield from _capacity(draft)
    yield "# index = true             # INDEX.TXT on the disc tells what is where"
    yield '# boot = "boot.img"        # a floppy image, or a loader without emulation'


def _capacity(draft: RecipeDraft) -> Iterator[str]:
    sectors = -(-draft.size // SECTOR_SIZE)
    yield (
        f"# {count_text(draft.file_count, 'file')}, {size_text(draft.source_size)}; "
        f"the disc has {count_text(sectors, 'sector')}"
    )
    capacity = suggested_capacity(draft.size)
    if capacity is None:
        yield "# That is more than one disc holds; several are built with"
        yield "#   mediashelf build FILE --spread -o FOLDER"
        yield f"capacity = {toml_quoted(_SUGGESTED[1].name)}"
    elif capacity == EMULATED_DRIVE:
        yield f"# {capacity.percent_of(draft.size):.0f} % of what an emulated drive serves; for"
        yield "# blanks name their capacity and build with --spread:"
        yield f"# capacity = {toml_quoted(_SUGGESTED[1].name)}"
    else:
        percent = capacity.percent_of(draft.size)
        yield f"capacity = {toml_quoted(capacity.name)}  # {percent:.0f} % full"


def _source(source: DraftSource, draft: RecipeDraft, folder: Path) -> Iterator[str]:
    found = source.packages
    yield f"# {count_text(len(found), 'package')} with an INF" + (":" if found else "")
    yield from (f"#   {printable(f'{one.place}: {one.text}')}" for one in found[:PACKAGES_NAMED])
    if found[PACKAGES_NAMED:]:
        yield f"#   and {len(found) - PACKAGES_NAMED:,} more"
    yield "[[folder]]"
    yield f"from = {_path(source.path, folder)}"
    yield f"to = {toml_quoted(source.to)}"
    yield '# only = ["*.inf", "video/"]   # take nothing else'
    yield '# skip = ["*.bak", "/docs/"]   # and leave this out'
    yield "# unpack = true                # archives in the folder become folders"
    yield "# keep_together = true         # on one disc, when several are built"
    yield "# order = 1                    # lower numbers on earlier discs"
    yield '# notes = ""                   # printed on the index page'
    for one in source.programs:
        yield from _program(source, one, draft, folder)


def _program(
    source: DraftSource, one: FoundPackage, draft: RecipeDraft, folder: Path
) -> Iterator[str]:
    """Yield how a folder without an INF could say which devices it drives."""
    ids = one.identifiers[:IDENTIFIERS_NAMED]
    named = "named in its files" if ids else "an example; put the ids of its devices here"
    place = one.place.strip("/")
    yield ""
    yield f"# No INF in /{printable(place)} ({printable(one.text)}). If a device needs it,"
    if not place or not source.path.is_dir():
        yield "# say so above, or unpack it into a folder of its own:"
    else:
        to = "/".join(part for part in (source.to.strip("/"), place) if part)
        yield f"# let it be a folder of its own, and skip {toml_quoted(f'/{place}/')} above:"
        yield "# [[folder]]"
        yield f"# from = {toml_quoted(path_from(source.path / place, folder))}"
        yield f"# to = {toml_quoted(f'/{to}')}"
    listed = ", ".join(toml_quoted(text) for text in ids or ("PCI\\VEN_F2C4&DEV_0301",))
    yield f"# provides = [{listed}]  # {named}"
    yield '# provides_for = ["dos"]'


def _path(path: Path, folder: Path) -> str:
    text = path_from(path, folder)
    if not can_be_written(text):
        raise RecipeError(
            f"{path}: its name is not UTF-8, and a recipe cannot say it; rename it first"
        )
    return toml_quoted(text)
