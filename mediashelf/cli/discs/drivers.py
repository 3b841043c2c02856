"""``mediashelf drivers``: has every device of a machine a driver here, and is it whole?"""

from __future__ import annotations

import re
from collections.abc import Iterable
from contextlib import ExitStack
from dataclasses import replace
from pathlib import Path

import click

from mediashelf.cli.discs.driver_json import document
from mediashelf.cli.discs.driver_text import say_explanation, say_survey
from mediashelf.cli.options import (
    fail_on_option,
    json_option,
    quiet_option,
    target_option,
    targets_folder_option,
)
from mediashelf.cli.progress import progress
from mediashelf.cli.render import exit_for, say_findings, say_json, say_wrapped, summary
from mediashelf.drivers.findings import check_survey
from mediashelf.drivers.machines.devices import pick_device
from mediashelf.drivers.machines.reading import Machine, read_machine
from mediashelf.drivers.packages.families import FAMILIES, Family, choose_family
from mediashelf.drivers.packages.finding import PackagesFound, find_packages
from mediashelf.drivers.packages.tree import PackageTree
from mediashelf.drivers.releases import check_releases
from mediashelf.drivers.survey import Survey, survey
from mediashelf.findings import Finding, Severity
from mediashelf.formats.inf.systems import ARCHITECTURES
from mediashelf.formats.inf.text import DEFAULT_CODE_PAGE
from mediashelf.jobs.driver_families import needed_family
from mediashelf.jobs.driver_sources import Source, open_sources
from mediashelf.readability.targets import Target, load_targets, pick_targets

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
"""
)
@click.argument(
    "paths",
    nargs=-1,
    required=True,
    type=click.Path(path_type=Path),
    metavar="FOLDER|IMAGE|RECIPE...",
)
@click.option(
    "-m",
    "--machine",
    "machine_path",
    type=click.Path(dir_okay=False, path_type=Path),
    help="The machine's devices: text of lspci (best -nnvmm), or hardware ids one a line.",
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
@json_option
@quiet_option
@fail_on_option
def drivers(
    paths: tuple[Path, ...],
    machine_path: Path | None,
    target_names: tuple[str, ...],
    targets_folder: Path | None,
    family_name: str | None,
    release: str | None,
    architecture: str,
    explained: str | None,
    code_page: str,
    as_json: bool,
    quiet: bool,
    fail_on: str,
) -> None:
    """Tell which devices of a machine have a driver, and which files are missing.

    For each device the packages are compared as the target's system compares them:
    by the published rank of identifiers, then by date and version of the driver.
    For each package every file that its INF asks for is looked up where the INF
    says, in the tree of names that the target reads. Folders and recipes are
    judged under the names that the disc built from them would have. A recipe's
    machine and targets stand in for options that are not given. Without a machine
    only the packages are looked at. Signatures are not verified.
    """
    _check_code_page(code_page)
    with ExitStack() as stack:
        with progress("looking at the sources", quiet=quiet) as on_bytes:
            sources = stack.enter_context(open_sources(paths, on_bytes=on_bytes))
        machine = _machine(machine_path, sources)
        picked = _picked(machine, explained)
        targets = _targets(target_names, targets_folder, sources)
        families = _families(targets, family_name, release, architecture)
        findings = [*(machine.findings if machine else ())]
        findings += [finding for source in sources for finding in source.findings]
        surveys = []
        for target, family in zip(targets, families, strict=True):
            founds, unread = _find(sources, target, code_page, quiet)
            devices = machine.devices if machine is not None else None
            result = survey(founds, family, target.name, devices)
            surveys.append(result)
            findings += [*unread, *check_survey(result)]
            if release is None and devices is not None:
                findings += check_releases(result, founds, devices)
    findings = _distinct(findings)
    if as_json:
        say_json(document(surveys, machine, findings, picked))
    else:
        _say(surveys, picked, findings, quiet)
    exit_for(findings, fail_on)


def _machine(path: Path | None, sources: list[Source]) -> Machine | None:
    """Return the machine that is named, else that of the first recipe that has one."""
    named = [path, *(source.machine for source in sources)]
    chosen = next((one for one in named if one is not None), None)
    return read_machine(chosen) if chosen is not None else None


def _picked(machine: Machine | None, explained: str | None) -> list[int]:
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


def _say(surveys: list[Survey], picked: list[int], findings: list[Finding], quiet: bool) -> None:
    for result in surveys:
        if picked:
            for index in picked:
                say_explanation(result, index)
        elif not quiet:
            say_survey(result)
    if picked:
        return
    shown = [
        finding
        for finding in findings
        # The list of packages says that already.
        if finding.rule != "inf-for-other-family"
    ]
    if quiet:
        shown = [finding for finding in shown if finding.severity is not Severity.NOTE]
    say_findings(shown, limit=PLACES_SHOWN)
    if not quiet:
        say_wrapped(f"{summary(findings)}; signatures not verified")


def _check_code_page(name: str) -> None:
    try:
        bytes(range(256)).decode(name, "surrogateescape")
    except (LookupError, ValueError) as error:
        raise click.BadParameter(
            f"{name!r} is not a code page", param_hint="--code-page"
        ) from error


def _targets(names: tuple[str, ...], folder: Path | None, sources: list[Source]) -> list[Target]:
    wanted = names or tuple(dict.fromkeys(name for source in sources for name in source.targets))
    if not wanted:
        raise click.UsageError("Name a target with --target, such as win9x or nt5.")
    return pick_targets(wanted, load_targets(folder))


def _families(
    targets: list[Target], chosen: str | None, release: str | None, architecture: str
) -> list[Family]:
    """Return how each target takes drivers; a release is for the families that have it."""
    names = [chosen or needed_family(target) for target in targets]
    wanted = _release(release) if release is not None else None
    if wanted is not None and not any(wanted in FAMILIES[name].releases for name in names):
        known = [release for name in names for release in FAMILIES[name].releases]
        words = ", ".join(f"{major}.{minor}" for major, minor in known) or "none"
        raise click.BadParameter(
            f"no target here has a release {release} (known: {words})", param_hint="--release"
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


def _find(
    sources: list[Source], target: Target, code_page: str, quiet: bool
) -> tuple[list[tuple[PackageTree, PackagesFound]], list[Finding]]:
    """Return the packages of each source as ``target`` sees it, and what was not read."""
    founds: list[tuple[PackageTree, PackagesFound]] = []
    findings: list[Finding] = []
    with progress("reading INFs", unit="INF", quiet=quiet) as on_inf:
        for source in sources:
            tree = source.tree_for(target)
            if tree is None:
                findings.append(_unreadable(source, target))
                continue
            if len(sources) > 1:
                tree = replace(tree, prefix=f"{tree.name}:")
            found = find_packages(tree, code_page=code_page, on_inf=on_inf)
            founds.append((tree, found))
            findings += found.findings
    return founds, findings


def _unreadable(source: Source, target: Target) -> Finding:
    return Finding(
        "no-tree-for-target",
        Severity.ERROR,
        source.name,
        f"{target.name} cannot read any directory tree on it",
        "see what is on it with mediashelf show",
        target=target.name,
    )


def _distinct(findings: Iterable[Finding]) -> list[Finding]:
    """Return each finding once: several targets read the same texts; the worst one is kept."""
    kept: dict[tuple[str, str, str, str], Finding] = {}
    for finding in findings:
        key = (finding.rule, finding.where, finding.message, finding.target)
        known = kept.get(key)
        if known is None or finding.severity > known.severity:
            kept[key] = finding
    return list(kept.values())
