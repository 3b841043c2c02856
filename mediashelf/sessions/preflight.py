"""Check every disc of a session before anything is copied: is it sound, can it be read, served?

An image is opened and, where a digest is on record, read to its end; a recipe is
planned. Both then answer to the same rules: those of the disc's targets and those
of the emulator.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path

from mediashelf.building.plan import DiscPlan, plan_disc
from mediashelf.building.recipe import load_recipe
from mediashelf.errors import MediashelfError
from mediashelf.findings import Finding, Severity, worst
from mediashelf.formats.volume import DiscFacts, VolumeKind
from mediashelf.image import open_image
from mediashelf.integrity.fixity import compare, observe
from mediashelf.readability.check import check_disc
from mediashelf.readability.limits import BOOT_MEDIA, BOOT_PLATFORMS
from mediashelf.readability.targets import Target, pick_targets
from mediashelf.sessions.emulator import check_lun
from mediashelf.sessions.manifest_values import BootWay, Contents, FileDigests
from mediashelf.sessions.readback import ALGORITHMS, as_file_digests
from mediashelf.sessions.resolve import Candidate, ResolvedDisc

OnBytes = Callable[[int], None]

TOP_NAMES = 24

_METHOD_WORDS = {number: word for word, number in BOOT_MEDIA.items()}
_PLATFORM_WORDS = {number: word for word, number in BOOT_PLATFORMS.items()}

# The tree whose names are the fullest comes first.
_TREES = (VolumeKind.JOLIET, VolumeKind.ROCKRIDGE, VolumeKind.UDF, VolumeKind.ISO9660)


@dataclass(frozen=True, slots=True)
class LookedAt:
    """What one source is: an image that was opened, or a recipe that was planned.

    ``digests`` are those of the image where it was read to its end. ``findings``
    hold for every target. ``mtime_ns`` is None for a recipe.
    """

    candidate: Candidate
    facts: DiscFacts
    findings: tuple[Finding, ...]
    mtime_ns: int | None = None
    digests: FileDigests | None = None
    disc_plan: DiscPlan | None = None


@dataclass(frozen=True, slots=True)
class CheckedDisc:
    """One disc of the session with everything that was found about it.

    ``repeats`` is the position of an earlier disc that is the same file.
    """

    resolved: ResolvedDisc
    source: LookedAt
    findings: tuple[Finding, ...]
    targets: tuple[str, ...]
    passed: tuple[str, ...]
    repeats: int | None = None

    @property
    def position(self) -> int:
        """The place in the order of use, from 1."""
        return self.resolved.position

    @property
    def size(self) -> int:
        """Bytes of the image."""
        return self.source.facts.size

    @property
    def label(self) -> str:
        """The label as the fullest tree has it, or nothing."""
        labels = [volume.label for volume in self.source.facts.volumes if volume.label]
        return labels[-1] if labels else ""

    @property
    def name(self) -> str:
        """The label, or else the name of the file that it comes from; for people."""
        return self.label or self.source.candidate.path.name


def check_discs(
    resolved: Iterable[ResolvedDisc],
    targets: Mapping[str, Target],
    *,
    on_bytes: OnBytes = lambda count: None,
) -> list[CheckedDisc]:
    """Check every disc; of several candidates the first without an error is taken.

    Raises :class:`TargetError` for an unknown target before anything is opened,
    and what opening the only candidate raises.
    """
    discs = list(resolved)
    wanted = {disc.position: pick_targets(disc.disc.targets, targets) for disc in discs}
    seen: dict[tuple[bool, str], LookedAt] = {}
    first_use: dict[tuple[bool, str], int] = {}
    checked: list[CheckedDisc] = []
    for disc in discs:
        choice = _best(disc, wanted[disc.position], seen, on_bytes)
        key = _identity(choice.source.candidate)
        repeats = first_use.setdefault(key, disc.position)
        checked.append(replace(choice, repeats=repeats if repeats != disc.position else None))
    return checked


def _best(
    disc: ResolvedDisc,
    targets: list[Target],
    seen: dict[tuple[bool, str], LookedAt],
    on_bytes: OnBytes,
) -> CheckedDisc:
    tried: list[CheckedDisc] = []
    reasons = list(disc.absent)
    failure: MediashelfError | None = None
    for candidate in disc.candidates:
        key = _identity(candidate)
        try:
            if key not in seen:
                seen[key] = _look_at(candidate, on_bytes)
        except MediashelfError as error:
            failure = error
            reasons.append(f"{candidate.source}: {error}")
            continue
        checked = _check(disc, seen[key], targets)
        if worst(checked.findings) is not Severity.ERROR:
            return _with_reasons(checked, reasons)
        tried.append(checked)
        reasons.append(f"{candidate.source}: has errors")
    if tried:
        return tried[0]
    assert failure is not None
    raise failure


def _with_reasons(checked: CheckedDisc, reasons: list[str]) -> CheckedDisc:
    """Say so when the disc comes from an alternative."""
    if not reasons:
        return checked
    note = Finding(
        "first-source-is-used",
        Severity.NOTE,
        str(checked.source.candidate.path),
        f"the disc comes from {checked.source.candidate.source}, because {'; '.join(reasons)}",
        "nothing, if that is right",
    )
    return replace(checked, findings=(*checked.findings, note))


def _identity(candidate: Candidate) -> tuple[bool, str]:
    return candidate.is_recipe, os.path.realpath(candidate.path)


def _check(disc: ResolvedDisc, source: LookedAt, targets: list[Target]) -> CheckedDisc:
    findings = list(source.findings)
    passed = []
    for target in targets:
        found = list(check_disc(source.facts, target))
        findings += found
        if worst([*source.findings, *found]) is not Severity.ERROR:
            passed.append(target.name)
    return CheckedDisc(
        disc, source, tuple(findings), tuple(target.name for target in targets), tuple(passed)
    )


def _look_at(candidate: Candidate, on_bytes: OnBytes) -> LookedAt:
    return (
        _look_at_recipe(candidate) if candidate.is_recipe else _look_at_image(candidate, on_bytes)
    )


def _look_at_recipe(candidate: Candidate) -> LookedAt:
    plan = plan_disc(load_recipe(candidate.path))
    findings = (*plan.findings, *_lun_findings(plan.facts, candidate.path))
    return LookedAt(candidate, plan.facts, findings, disc_plan=plan)


def _look_at_image(candidate: Candidate, on_bytes: OnBytes) -> LookedAt:
    path = candidate.path
    with open_image(path) as image:
        facts, structure = image.facts, image.findings
    mtime_ns = path.stat().st_mtime_ns
    findings = structure
    digests = None
    if candidate.record is not None and candidate.record.digests:
        wanted = dict.fromkeys((*ALGORITHMS, *candidate.record.digests))
        observed = observe(path, algorithms=wanted, on_bytes=on_bytes)
        findings = compare(str(path), observed, candidate.record, structure).findings
        if observed.digests is not None:
            digests = as_file_digests(observed.digests)
    findings = (*findings, *_lun_findings(facts, path))
    return LookedAt(candidate, facts, findings, mtime_ns, digests)


def _lun_findings(facts: DiscFacts, path: Path) -> Iterable[Finding]:
    return check_lun(facts.size, looks_raw=facts.looks_raw, where=str(path))


def boot_ways(facts: DiscFacts) -> tuple[BootWay, ...]:
    """Return the ways to boot that a disc offers, the initial entry first."""
    if facts.boot is None:
        return ()
    return tuple(
        BootWay(
            _METHOD_WORDS.get(entry.media_type & 0x0F, "unknown"),
            _PLATFORM_WORDS.get(entry.platform_id, "unknown"),
        )
        for entry in facts.boot.entries
        if entry.is_bootable
    )


def glance(facts: DiscFacts) -> Contents:
    """Return what a person sees at first: counts, and the names in the top folder."""
    volumes = [facts.volume(kind) for kind in _TREES]
    volume = next((one for one in volumes if one is not None and one.entries), None)
    if volume is None:
        return Contents(0, 0, ())
    folders = sum(entry.is_directory for entry in volume.entries)
    top = [entry for entry in volume.entries if entry.parent == "/"]
    names = [entry.name + "/" for entry in top if entry.is_directory]
    names += [entry.name for entry in top if not entry.is_directory]
    return Contents(len(volume.entries) - folders, folders, tuple(names[:TOP_NAMES]))
