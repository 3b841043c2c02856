"""``mediashelf drivers``: has every device of a machine a driver here, and is it whole?"""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import click

from mediashelf.catalogue.store import open_catalogue
from mediashelf.cli.discs.driver_json import driver_document
from mediashelf.cli.discs.driver_options import (
    families_of,
    named_targets,
    picked_devices,
    refuse_code_page,
    refuse_mixture,
)
from mediashelf.cli.discs.driver_shelves import library_document, say_library
from mediashelf.cli.discs.driver_text import say_explanation, say_survey
from mediashelf.cli.options import (
    NAMED_FILE,
    catalogue_option,
    fail_on_option,
    json_option,
    machines_option,
    quiet_option,
    target_option,
    targets_folder_option,
)
from mediashelf.cli.progress import progress
from mediashelf.cli.render import exit_for, say_findings, say_json, say_wrapped, summary
from mediashelf.drivers.machines.reading import Machine, read_machines
from mediashelf.drivers.packages.families import FAMILIES
from mediashelf.findings import Severity
from mediashelf.formats.inf.systems import ARCHITECTURES
from mediashelf.formats.inf.text.encoding import DEFAULT_CODE_PAGE
from mediashelf.jobs.shelves.machine import LibraryAnswer, cover_machine
from mediashelf.readability.targets import load_targets

if TYPE_CHECKING:  # the library is asked without what plans discs and opens images
    from mediashelf.jobs.discs.driver_survey import DriverAnswer

PLACES_SHOWN = 5


@click.command(
    epilog="""
\b
Examples:
  lspci -nnvmm > machine.txt
  mediashelf drivers drivers.iso -m machine.txt -t win9x
  mediashelf drivers disc.toml -m machine.txt -t nt5 --release 5.0
  mediashelf drivers my-drivers -m machine.txt -t nt5 --explain 00:0b.0
  mediashelf drivers drivers.iso -t win9x
  mediashelf drivers --shelves -m machine.txt -t win9x -t nt5
"""
)
@click.argument(
    "paths",
    nargs=-1,
    type=NAMED_FILE,
    metavar="[FOLDER|IMAGE|RECIPE]...",
)
@click.option(
    "--shelves",
    "of_shelves",
    is_flag=True,
    help="Look through the images on all shelves, as the last scan recorded them.",
)
@machines_option(
    "The machine's devices: output of `lspci -nn` (or -nnvmm) or lsusb, a registry export, "
    "or a list of hardware ids. Several add up."
)
@target_option
@targets_folder_option
@click.option(
    "--family",
    "family_name",
    type=click.Choice(list(FAMILIES)),
    help="Choose drivers by this family's rules, whatever the target's file says.",
)
@click.option("--release", metavar="X.Y", help="The release of nt5 or nt6, such as 5.0.")
@click.option(
    "--architecture",
    type=click.Choice(ARCHITECTURES),
    default="x86",
    show_default=True,
    help="The processor that the system is for.",
)
@click.option(
    "--explain",
    "explained",
    metavar="DEVICE",
    help="Tell why one package wins: a device's number, slot, id or part of its name.",
)
@click.option(
    "--code-page",
    default=DEFAULT_CODE_PAGE,
    show_default=True,
    help="The encoding of INFs that are not Unicode.",
)
@catalogue_option
@json_option
@quiet_option
@fail_on_option
def drivers(
    paths: tuple[Path, ...],
    of_shelves: bool,
    machine_paths: tuple[Path, ...],
    target_names: tuple[str, ...],
    targets_folder: Path | None,
    family_name: str | None,
    release: str | None,
    architecture: str,
    explained: str | None,
    code_page: str,
    catalogue_path: Path | None,
    as_json: bool,
    quiet: bool,
    fail_on: str,
) -> None:
    """Tell which devices of a machine have a driver, and which files are missing.

    For each device the packages are compared as the system compares them:
    by the published rank of identifiers, then by date and version of the driver.
    For each package every file that its INF asks for is looked up where the INF
    says, in the tree of names that the system reads. Folders and recipes are
    judged under the names that the disc built from them would have. A recipe's
    machine and systems are used where options are not given. Without a machine
    only the packages are looked at. Signatures are not verified.

    With --shelves the whole library is asked, also for images that are away now. There
    a package that lacks files comes after any that is whole: you choose what to take.
    A device without a driver shows what comes nearest.
    """
    refuse_mixture(paths, of_shelves, machine_paths)
    if of_shelves and code_page != DEFAULT_CODE_PAGE:
        raise click.UsageError("--code-page is for texts that are read now; a scan has read these.")
    refuse_code_page(code_page)
    if of_shelves:
        machine = read_machines(machine_paths)
        picked = picked_devices(machine, explained)
        targets = named_targets(target_names, load_targets(targets_folder))
        families = families_of(targets, family_name, release, architecture)
        with open_catalogue(catalogue_path) as catalogue:
            found = cover_machine(catalogue, machine, list(zip(targets, families, strict=True)))
        _say_shelves(found, machine, picked, as_json=as_json, quiet=quiet)
        exit_for(found.findings, fail_on)
        return
    from mediashelf.jobs.discs.driver_survey import find_subjects, survey_subjects
    from mediashelf.jobs.discs.recipe_options import RecipeOptions
    from mediashelf.jobs.library.naming import find_place

    place_of = partial(find_place, catalogue_path=catalogue_path)
    options = RecipeOptions(targets=target_names, machines=machine_paths, find_place=place_of)
    subjects = find_subjects(paths, options)
    picked = picked_devices(subjects.machine, explained)
    known = load_targets(targets_folder)
    targets = named_targets(subjects.target_names, known)
    families = families_of(targets, family_name, release, architecture)
    answer = survey_subjects(
        subjects,
        list(zip(targets, families, strict=True)),
        known,
        code_page=code_page,
        checks_releases=release is None,
        progress=partial(progress, quiet=quiet),
    )
    if as_json:
        say_json(driver_document(answer.surveys, subjects.machine, answer.findings, picked))
    else:
        _say(answer, picked, quiet)
    exit_for(answer.findings, fail_on)


def _say(answer: DriverAnswer, picked: Sequence[int], quiet: bool) -> None:
    for result in answer.surveys:
        if picked:
            for index in picked:
                say_explanation(result, index)
        elif not quiet:
            say_survey(result)
    if picked:
        return
    shown = [
        finding
        for finding in answer.findings
        # The list of packages says that already.
        if finding.rule != "inf-for-other-family"
    ]
    if quiet:
        shown = [finding for finding in shown if finding.severity is not Severity.NOTE]
    say_findings(shown, limit=PLACES_SHOWN)
    if not quiet:
        say_wrapped(f"{summary(answer.findings)}; signatures not verified")


def _say_shelves(
    found: LibraryAnswer, machine: Machine, picked: Sequence[int], *, as_json: bool, quiet: bool
) -> None:
    if as_json:
        say_json(library_document(found, machine, picked))
        return
    if picked or not quiet:
        say_library(found, picked)
    if not picked and quiet:
        shown = [one for one in found.findings if one.severity is not Severity.NOTE]
        say_findings(shown, limit=PLACES_SHOWN)
