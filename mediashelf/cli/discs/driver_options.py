"""What the options of drivers ask for: devices, systems, and how these take drivers."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from pathlib import Path

import click

from mediashelf.drivers.machines.devices import pick_device
from mediashelf.drivers.machines.reading import Machine
from mediashelf.drivers.packages.families import FAMILIES, Family, choose_family
from mediashelf.jobs.driver_families import needed_family
from mediashelf.readability.targets import Target, pick_targets


def picked_devices(machine: Machine | None, explained: str | None) -> list[int]:
    """Return the numbers of the devices to explain, none where that is not asked for."""
    if explained is None:
        return []
    if machine is None:
        raise click.UsageError("--explain needs a machine; name its file with --machine.")
    picked = pick_device(machine.devices, explained)
    if not picked:
        raise click.UsageError(
            f"No device of the machine is {explained!r}; give its number, slot, id or name."
        )
    return picked


def refuse_mixture(paths: Sequence[Path], of_shelves: bool, machine_paths: Sequence[Path]) -> None:
    """Refuse paths with ``--shelves``, and neither of them."""
    if of_shelves and paths:
        raise click.UsageError("--shelves looks through the library; name no path with it.")
    if of_shelves and not machine_paths:
        raise click.UsageError("--shelves needs a machine; name its file with --machine.")
    if not of_shelves and not paths:
        raise click.UsageError("Name a folder, an image or a recipe, or use --shelves.")


def refuse_code_page(name: str) -> None:
    """Refuse what is not the name of a code page."""
    try:
        bytes(range(256)).decode(name, "surrogateescape")
    except (LookupError, ValueError) as error:
        raise click.BadParameter(
            f"{name!r} is not a code page", param_hint="--code-page"
        ) from error


def named_targets(names: Sequence[str], known: Mapping[str, Target]) -> list[Target]:
    """Return the targets of these names, of which there must be one."""
    if not names:
        raise click.UsageError("Name a system with --target, such as win9x or nt5.")
    return pick_targets(names, known)


def families_of(
    targets: list[Target], chosen: str | None, release: str | None, architecture: str
) -> list[Family]:
    """Return how each target takes drivers; a release is for the families that have it."""
    names = [chosen or needed_family(target) for target in targets]
    wanted = _release(release) if release is not None else None
    if wanted is not None and not any(wanted in FAMILIES[name].releases for name in names):
        known = [release for name in names for release in FAMILIES[name].releases]
        words = ", ".join(f"{major}.{minor}" for major, minor in known) or "none"
        raise click.BadParameter(
            f"no system here has a release {release} (known: {words})", param_hint="--release"
        )
    return [
        choose_family(
            name,
            release=wanted if wanted in FAMILIES[name].releases else None,
            architecture=architecture,
        )
        for name in names
    ]


def _release(text: str) -> tuple[int, int]:
    match = re.fullmatch(r"([0-9]{1,2})\.([0-9]{1,2})", text, re.ASCII)
    if match is None:
        raise click.BadParameter(f"{text!r} is not a release such as 5.1", param_hint="--release")
    return int(match[1]), int(match[2])
