"""Begin a recipe: what is in the folders, and what of it the machine could use."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path

from msgspec import Struct

from mediashelf.building.planning.listing import Listing
from mediashelf.building.recipes.draft import DraftSource, FoundPackage, RecipeDraft, draft_recipe
from mediashelf.building.recipes.recipe import Recipe
from mediashelf.building.recipes.source_names import recipe_from_folders
from mediashelf.building.sources.floppy_sets import join_floppies
from mediashelf.drivers.coverage import DeviceCover
from mediashelf.drivers.findings import device_title
from mediashelf.drivers.machines.identifiers import parse_pci_identifier
from mediashelf.drivers.packages.dos_packages import DosPackage
from mediashelf.drivers.survey import Survey
from mediashelf.drivers.verdict import DriverState
from mediashelf.errors import MediashelfError
from mediashelf.files import write_whole
from mediashelf.findings import Finding
from mediashelf.formats.inf.models import all_models
from mediashelf.jobs.discs.disc_drivers import SourceDrivers, survey_sources
from mediashelf.jobs.discs.recipe_options import RecipeOptions, with_options
from mediashelf.jobs.discs.recipe_plan import plan_recipe
from mediashelf.jobs.discs.unopened import NOT_OPENED, PACKED
from mediashelf.jobs.progress import Progress, no_progress
from mediashelf.readability.targets import Target, pick_targets
from mediashelf.tables.paths import can_be_written
from mediashelf.text import printable, toml_quoted

FILES_NAMED = 4
MAX_READ = 256 << 10
"""Bytes of a program or text that are searched for identifiers."""


class DraftedRecipe(Struct, frozen=True):
    """The recipe's text with what it was made of, and what blocks the disc as it is.

    ``unopened`` are archives in the folders that hold packages, or could not be looked into.
    """

    draft: RecipeDraft
    text: str
    blockers: tuple[Finding, ...]
    unopened: tuple[Finding, ...] = ()

    @property
    def package_count(self) -> int:
        """Packages with an INF that the text names."""
        return sum(len(source.packages) for source in self.draft.sources)


def draft_from_folders(
    folders: Sequence[Path],
    options: RecipeOptions,
    targets: Mapping[str, Target],
    output: Path | None,
    *,
    progress: Progress = no_progress,
) -> DraftedRecipe:
    """Look at folders and archives and draft their recipe; it is written to ``output``, if any.

    ``targets`` are all that are known. Raises what planning raises, and
    :class:`OutputError` when the file exists or cannot be written.
    """
    recipe = join_floppies(with_options(recipe_from_folders(folders), options))
    picked = pick_targets(recipe.targets, targets)
    planned = plan_recipe(recipe, picked, progress=progress)
    plan = planned.plans[0]
    sources = planned.sources or survey_sources(
        recipe, plan.listing, None, picked, progress=progress
    )
    draft = RecipeDraft(
        recipe.label or "DISC",
        tuple(_sources(recipe, plan.listing, sources)),
        recipe.targets,
        plan.size,
        len(plan.listing.files),
        plan.source_size,
        recipe.machines,
        tuple(_devices(sources)),
    )
    place = (output.parent if output is not None else Path()).absolute()
    unopened = tuple(one for one in planned.notes if one.rule in (NOT_OPENED, PACKED))
    text = draft_recipe(draft, place) + "".join(_remarks(unopened))
    if output is not None:
        write_whole(output, text.encode("utf-8"), replace=False)
    return DraftedRecipe(draft, text, tuple(planned.blockers(anyway=False)), unopened)


def _remarks(unopened: Sequence[Finding]) -> Iterator[str]:
    """Yield the comments about archives in the folders: those to name, and those not opened."""
    for one in unopened:
        where = toml_quoted(one.where)
        if not can_be_written(one.where):
            where = toml_quoted(printable(one.where))
        if one.rule == PACKED:
            yield f"\n# {printable(one.message)}:\n# [[folder]]\n# from = {where}\n"
        else:
            yield f"\n# {where[1:-1]}:\n#   {printable(one.message)}\n#   to do: {one.remedy}\n"


def _sources(plain: Recipe, listing: Listing, drivers: SourceDrivers) -> Iterator[DraftSource]:
    """Yield each source with the packages in it; what is in none of them is not told."""
    result = next(iter(drivers.surveys.values()), None)
    lacking = _without_driver(drivers)
    for number, source in enumerate(plain.folders):
        top = "".join(f"/{name}" for name in source.to)
        packages = list(_packages(result, listing, number, top)) if result else []
        programs = list(_programs(result, listing, number, top, lacking)) if result else []
        to = "/" + "/".join(source.to)
        yield DraftSource(source.path, to.replace("\\", "_"), tuple(packages), tuple(programs))


def _packages(result: Survey, listing: Listing, number: int, top: str) -> Iterator[FoundPackage]:
    for surveyed in result.packages:
        package = surveyed.package
        if _origin(listing, package.file.path) != number:
            continue
        names = list(dict.fromkeys(model.description for model in all_models(package.inf)))
        more = f" and {len(names) - 1:,} more" if names[1:] else ""
        about = [package.inf.version_value(key) for key in ("Class", "Provider")]
        text = ", ".join([*filter(None, about), *(f"{name}{more}" for name in names[:1])])
        yield FoundPackage(package.file.path.removeprefix(top), text)


def _programs(
    result: Survey, listing: Listing, number: int, top: str, lacking: Sequence[str]
) -> Iterator[FoundPackage]:
    for package in result.dos_packages:
        path = "" if package.folder == "/" else package.folder
        if any(_origin(listing, f"{path}/{name}") == number for name in package.files):
            names = ", ".join(package.files[:FILES_NAMED])
            text = f"{package.kind.value}: {names}"
            yield FoundPackage(path.removeprefix(top), text, _named_in(package, lacking))


def _origin(listing: Listing, path: str) -> int | None:
    file = listing.find(path)
    return file.origin if file is not None else None


def _named_in(package: DosPackage, identifiers: Sequence[str]) -> tuple[str, ...]:
    """Return the identifiers that the package's own files name; nothing else is suggested."""
    wanted = {text: _forms(text) for text in identifiers}
    found: dict[str, None] = {}
    for name in (*package.files, *package.texts):
        file = package.tree.find(f"{package.folder.rstrip('/')}/{name}")
        try:
            data = package.tree.read(file, MAX_READ).lower() if file and wanted else b""
        except (OSError, MediashelfError):
            continue
        for text, forms in wanted.items():
            if any(form in data for form in forms):
                found[text] = None
    return tuple(found)


def _forms(identifier: str) -> tuple[bytes, ...]:
    """Return how files write an identifier: as it is, and a PCI chip as ``f4b9:0100``."""
    plain = identifier.lower().encode("ascii", "replace")
    function = parse_pci_identifier(identifier)
    if function is None:
        return (plain,)
    numbers = f"{function.vendor:04x}:{function.device:04x}".encode("ascii")
    return (plain.removeprefix(b"pci\\"), numbers)


def _devices(drivers: SourceDrivers) -> Iterator[str]:
    """Yield what each target finds for each device, if there is a machine."""
    for target, result in drivers.surveys.items() if drivers.machine else ():
        yield f"for {target}:"
        for number, cover in enumerate(result.covers, 1):
            yield f"{number} {device_title(cover)}: {_found(result, cover)}"


def _found(result: Survey, cover: DeviceCover) -> str:
    words = result.verdict(cover).words
    return words if cover.best is None else f"{words}: {cover.best.package.file.path}"


def _without_driver(drivers: SourceDrivers) -> list[str]:
    """Return the identifiers of devices that no target finds a driver for."""
    if drivers.machine is None:
        return []
    found = {
        index
        for result in drivers.surveys.values()
        for index, cover in enumerate(result.covers)
        if result.verdict(cover).state is not DriverState.NONE
    }
    devices = enumerate(drivers.machine.devices)
    return [device.main_id for index, device in devices if index not in found and device.main_id]
