"""Catalogue, check, build and stage disc images for emulated optical drives.

For scripts, the names in ``__all__`` are stable; everything else may change without
notice. Each is loaded when it is first used.

``open_image(path)``
    an image as :class:`DiscImage`, to be used in a ``with`` block: ``facts`` (volumes with
    their entries, boot, size in bytes), ``findings``, ``iter_file(entry)``.
``load_recipe(path)``, ``recipe_from_folders(paths)``, ``plan_recipe(recipe, targets)``
    a disc before it is written, with findings and what each target says of it.
``build_disc(plan, path)``
    the disc, written whole or not at all, and read back.
``load_targets()``
    the targets by name, built in ones and those of the user.
``open_catalogue(path)``
    the catalogue for reading: ``images()``, ``find(text)``, ``images_by_digest(digest)``.
``read_machine(path)``, ``coverage(sources, machine, target)``
    the devices of a machine, and which have a driver there: pairs of device and verdict.
``read_manifest(path)``
    a card's :class:`Manifest`.

Whatever cannot be done raises a subclass of :class:`MediashelfError`; what is found in
discs is a :class:`Finding`.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

__version__ = "0.1.0"

if TYPE_CHECKING:
    from mediashelf.building.recipes.recipe import load_recipe
    from mediashelf.building.recipes.source_names import recipe_from_folders
    from mediashelf.building.writing.write import build_disc
    from mediashelf.catalogue.store import open_catalogue
    from mediashelf.drivers.machines.reading import read_machine
    from mediashelf.errors import MediashelfError
    from mediashelf.findings import Finding, Severity
    from mediashelf.image import DiscImage, open_image
    from mediashelf.jobs.coverage import coverage
    from mediashelf.jobs.discs.recipe_plan import plan_recipe
    from mediashelf.readability.targets import load_targets
    from mediashelf.sessions.manifests.manifest import read_manifest
    from mediashelf.sessions.manifests.values import Manifest

__all__ = [
    "DiscImage",
    "Finding",
    "Manifest",
    "MediashelfError",
    "Severity",
    "build_disc",
    "coverage",
    "load_recipe",
    "load_targets",
    "open_catalogue",
    "open_image",
    "plan_recipe",
    "read_machine",
    "read_manifest",
    "recipe_from_folders",
]

_HOMES = {
    "DiscImage": "image",
    "Finding": "findings",
    "Manifest": "sessions.manifests.values",
    "MediashelfError": "errors",
    "Severity": "findings",
    "build_disc": "building.writing.write",
    "coverage": "jobs.coverage",
    "load_recipe": "building.recipes.recipe",
    "load_targets": "readability.targets",
    "open_catalogue": "catalogue.store",
    "open_image": "image",
    "plan_recipe": "jobs.discs.recipe_plan",
    "read_machine": "drivers.machines.reading",
    "read_manifest": "sessions.manifests.manifest",
    "recipe_from_folders": "building.recipes.source_names",
}


def __getattr__(name: str) -> Any:
    """Load a public name from its home when it is first asked for: start-up stays quick."""
    home = _HOMES.get(name)
    if home is None:
        raise AttributeError(f"module 'mediashelf' has no attribute {name!r}")
    value = getattr(importlib.import_module(f"mediashelf.{home}"), name)
    globals()[name] = value
    return value
