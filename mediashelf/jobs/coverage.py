"""Which devices of a machine have a driver in some sources: one call, for scripts."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from mediashelf.drivers.machines.devices import Device
from mediashelf.drivers.packages.families import choose_family
from mediashelf.drivers.verdict import DriverVerdict
from mediashelf.jobs.discs.driver_survey import find_subjects, survey_subjects
from mediashelf.jobs.discs.recipe_options import RecipeOptions
from mediashelf.jobs.driver_families import needed_family
from mediashelf.readability.targets import load_targets, pick_targets


def coverage(
    sources: Sequence[Path], machine: Path, target_name: str
) -> list[tuple[Device, DriverVerdict]]:
    """Return each device of a machine's file with what the sources have for it.

    ``sources`` are folders, images, archives and recipes; a verdict has ``state``
    (``covered``, ``incomplete``, ``none``) and the files that are ``missing``. Raises
    :class:`MediashelfError` for what cannot be read, and for an unknown target.
    """
    known = load_targets()
    (target,) = pick_targets([target_name], known)
    family = choose_family(needed_family(target), release=None, architecture="x86")
    options = RecipeOptions(targets=(target_name,), machines=(machine,))
    subjects = find_subjects(list(sources), options)
    answer = survey_subjects(
        subjects, [(target, family)], known, code_page="cp1252", checks_releases=True
    )
    (survey,) = answer.surveys
    return [(cover.device, survey.verdict(cover)) for cover in survey.covers]
