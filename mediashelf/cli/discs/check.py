"""``mediashelf check``: who can read it?

The shape of ``--json``: ``command`` and ``version``, then ``inputs``, one object each:
``input``, ``kind`` (image, folder, recipe), ``size`` in bytes, ``label``,
``is_complete`` (the trees could be read whole), ``targets`` (one object each with
``target``, ``verdict``, and the counts ``errors``, ``warnings``, ``notes``), and
``findings``, each with all fields of a finding and ``about``: ``structure`` (of an
image), ``plan`` (of a folder or recipe), ``emulator`` or ``target``.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import click

from mediashelf.building.planning.disc_plan import plan_disc
from mediashelf.building.recipes.recipe import Recipe, is_source, load_recipe, recipe_from_folders
from mediashelf.cli.options import (
    fail_on_option,
    json_option,
    quiet_option,
    target_option,
    targets_folder_option,
)
from mediashelf.cli.progress import progress
from mediashelf.cli.render import exit_for, say, say_findings, say_json, say_wrapped, summary, table
from mediashelf.findings import Finding, Severity, worst
from mediashelf.formats.volume import DiscFacts
from mediashelf.image import open_image
from mediashelf.readability.check import Readability, check_targets, verdict_on
from mediashelf.readability.targets import Target, load_targets, pick_targets
from mediashelf.sessions.emulator import check_lun
from mediashelf.text import size_text

PLACES_SHOWN = 3  # of one rule, without --all
RECIPE_SUFFIX = ".toml"


@dataclass(frozen=True, slots=True)
class _Subject:
    """A disc to be checked; ``own_findings`` are those of its reader or its planner."""

    path: Path
    kind: str
    facts: DiscFacts
    own_findings: tuple[Finding, ...]
    targets: tuple[str, ...] = ()  # those that a recipe names itself


@dataclass(frozen=True, slots=True)
class _Answer:
    """What came out for one disc."""

    subject: _Subject
    emulator: list[Finding]
    targets: list[tuple[Target, list[Finding]]]

    @property
    def findings(self) -> list[tuple[str, Finding]]:
        """Every finding with what it is about."""
        own = "structure" if self.subject.kind == "image" else "plan"
        return [
            *((own, finding) for finding in self.subject.own_findings),
            *(("emulator", finding) for finding in self.emulator),
            *(("target", finding) for _, found in self.targets for finding in found),
        ]


@click.command(
    epilog="""
\b
Examples:
  mediashelf check disc.iso
  mediashelf check disc.iso --target dos --target win9x
  mediashelf check ~/drivers --target nt4
  mediashelf check drivers.toml
  mediashelf check library/*.iso -t nt5 --fail-on warning -q
\b
See what each target reads, and where that is written:
  mediashelf targets
"""
)
@click.argument(
    "paths",
    type=click.Path(path_type=Path),
    nargs=-1,
    required=True,
    metavar="IMAGE|FOLDER|RECIPE...",
)
@target_option
@targets_folder_option
@click.option("--all", "show_all", is_flag=True, help="Print every place of every finding.")
@json_option
@quiet_option
@fail_on_option
def check(
    paths: Sequence[Path],
    target_names: Sequence[str],
    targets_folder: Path | None,
    show_all: bool,
    as_json: bool,
    quiet: bool,
    fail_on: str,
) -> None:
    """Tell which systems can read a disc, and what stands in their way.

    An image is opened; a folder or a recipe (a .toml file) is planned as a disc
    that build would make, and nothing is written. Without --target a recipe is
    checked for the targets that it names, and everything else for all targets,
    in short. Whether the emulator can serve the disc is checked too. Contents of
    files are not read. The exit code counts all of these findings, so name the
    targets that matter where a script looks at it.
    """
    known = load_targets(targets_folder)
    asked = pick_targets(target_names, known)
    documents: list[Mapping[str, Any]] = []
    worst_ones: list[Finding] = []
    for path in paths:
        subject = _read_subject(path, quiet=quiet)
        targets = asked or pick_targets(subject.targets, known)
        answer = _Answer(
            subject,
            list(_check_emulator(subject)),
            list(check_targets(subject.facts, targets or known.values())),
        )
        # Only the worst of each disc is kept, so that many large discs fit into memory.
        found = [finding for _, finding in answer.findings]
        if found:
            worst_ones.append(max(found, key=lambda finding: finding.severity))
        if as_json:
            documents.append(_document(answer))
        else:
            _say_answer(answer, in_full=bool(targets), show_all=show_all, quiet=quiet)
    if as_json:
        say_json({"command": "check", "version": 1, "inputs": documents})
    exit_for(worst_ones, fail_on)


def _read_subject(path: Path, *, quiet: bool) -> _Subject:
    if is_source(path):
        return _plan(path, "folder", recipe_from_folders([path]), quiet=quiet)
    if path.suffix.lower() == RECIPE_SUFFIX:
        return _plan(path, "recipe", load_recipe(path), quiet=quiet)
    with open_image(path) as image:
        return _Subject(path, "image", image.facts, image.findings)


def _plan(path: Path, kind: str, recipe: Recipe, *, quiet: bool) -> _Subject:
    with progress("looking at the sources", quiet=quiet) as on_bytes:
        plan = plan_disc(recipe, on_bytes=on_bytes)
    return _Subject(path, kind, plan.facts, plan.findings, recipe.targets)


def _check_emulator(subject: _Subject) -> Iterable[Finding]:
    facts = subject.facts
    return check_lun(facts.size, looks_raw=facts.looks_raw, where=subject.path.name or "image")


def _say_answer(answer: _Answer, *, in_full: bool, show_all: bool, quiet: bool) -> None:
    lowest = Severity.WARNING if quiet else Severity.NOTE
    own = [item for item in answer.subject.own_findings if item.severity >= lowest]
    emulator = [item for item in answer.emulator if item.severity >= lowest]
    rows = [
        _row(target, found)
        for target, found in answer.targets
        if not quiet or verdict_on(found) is not Readability.READS
    ]
    if quiet and not (own or emulator or rows):
        return
    say_wrapped(str(answer.subject.path))
    say_wrapped(_glance(answer.subject), indent=2)
    say()
    if rows:
        for line in table(["target", "verdict", "findings"], rows):
            say(line)
        say()
    own_part = "structure" if answer.subject.kind == "image" else "plan"
    if not quiet:
        say_wrapped(
            f"{own_part}: {summary(own)}; emulator: {_served(emulator)}; contents of files not read"
        )
        if own_part == "structure" and answer.subject.facts.volumes and _has_errors(own):
            say_wrapped("This image is damaged; what is said of targets holds for a sound copy.")
        say()
    limit = 0 if show_all else PLACES_SHOWN
    _say_part(own_part, own, limit)
    _say_part("emulator", emulator, limit)
    if in_full:
        for target, found in answer.targets:
            shown = [item for item in found if item.severity >= lowest]
            _say_part(f"{target.name}: {target.title}", shown, limit)
    elif not quiet and any(found for _, found in answer.targets):
        say_wrapped("Add --target NAME to see what was found for that target.")
        say()


def _say_part(title: str, findings: Sequence[Finding], limit: int) -> None:
    if findings:
        say_wrapped(f"-- {title}")
        say_findings(findings, limit=limit)
        say()


def _has_errors(findings: Sequence[Finding]) -> bool:
    return worst(findings) is Severity.ERROR


def _served(findings: Sequence[Finding]) -> str:
    if not findings:
        return "serves it whole"
    return "does not serve it whole" if _has_errors(findings) else "serves it, with care"


def _glance(subject: _Subject) -> str:
    facts = subject.facts
    parts = [size_text(facts.size), *dict.fromkeys(volume.kind.value for volume in facts.volumes)]
    if facts.boot is not None and any(entry.is_bootable for entry in facts.boot.entries):
        parts.append("boots")
    planned = "" if subject.kind == "image" else f"planned from a {subject.kind}: "
    return planned + ", ".join(parts)


def _row(target: Target, findings: Sequence[Finding]) -> tuple[str, str, str]:
    return target.name, verdict_on(findings).value, summary(findings)


def _document(answer: _Answer) -> Mapping[str, Any]:
    facts = answer.subject.facts
    return {
        "input": str(answer.subject.path),
        "kind": answer.subject.kind,
        "size": facts.size,
        "label": next((volume.label for volume in facts.volumes), ""),
        "is_complete": all(volume.is_complete for volume in facts.volumes),
        "targets": [_verdict_document(target, found) for target, found in answer.targets],
        "findings": [{"about": about, **item.as_dict()} for about, item in answer.findings],
    }


def _verdict_document(target: Target, findings: Sequence[Finding]) -> Mapping[str, Any]:
    counts = Counter(finding.severity for finding in findings)
    return {
        "target": target.name,
        "verdict": verdict_on(findings).value,
        "errors": counts[Severity.ERROR],
        "warnings": counts[Severity.WARNING],
        "notes": counts[Severity.NOTE],
    }
