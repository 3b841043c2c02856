"""Check every disc of a session before anything is copied: is it sound, can it be read, served?

An image is opened and, where a digest is on record, read to its end; a recipe is
planned. Both then answer to the same rules: those of the disc's targets and those
of the emulator.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping, Sequence

from msgspec import Struct
from msgspec.structs import replace

from mediashelf.errors import MediashelfError
from mediashelf.findings import Finding, Severity, worst
from mediashelf.readability.check import check_disc
from mediashelf.readability.targets import Target, pick_targets
from mediashelf.sessions.discs.glance import boot_ways
from mediashelf.sessions.discs.look import look_at
from mediashelf.sessions.discs.served_image import PlanRecipe, ServedImage
from mediashelf.sessions.discs.ways_out import is_disc
from mediashelf.sessions.plans.plan_disc import PlanDisc
from mediashelf.sessions.plans.resolve import SourceFile, Sources

OnBytes = Callable[[int], None]

_Key = tuple[bool, str, bool, int | None, str]
"""What makes two discs the same image on the card: source and wishes."""


class CheckedDisc(Struct, frozen=True):
    """One disc of the session with everything that was found about it.

    ``findings`` are all, those that are only told as well; ``blockers`` are the errors
    among the others.
    ``repeats`` is the position of an earlier disc that is the same file.
    """

    planned: PlanDisc
    source: ServedImage
    findings: tuple[Finding, ...]
    targets: tuple[str, ...]
    passed: tuple[str, ...]
    repeats: int | None = None

    @property
    def blockers(self) -> tuple[Finding, ...]:
        """The errors that keep the disc from being put on a card."""
        told = set(self.source.told)
        return tuple(
            one for one in self.findings if one.severity is Severity.ERROR and one not in told
        )

    @property
    def position(self) -> int:
        """The place in the order of use, from 1."""
        return self.planned.position

    @property
    def may_erase(self) -> bool:
        """Whether the disc may erase disks by itself: as the plan says, else whether it boots."""
        if self.planned.erases is not None:
            return self.planned.erases
        return bool(boot_ways(self.source.facts))

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
        return self.label or self.source.file.path.name


def look_at_discs(
    planned: Sequence[PlanDisc],
    sources: Sequence[Sources],
    targets: Mapping[str, Target],
    *,
    plan_recipe: PlanRecipe,
    on_bytes: OnBytes = lambda count: None,
) -> list[CheckedDisc]:
    """Check every disc; of several files the first that nothing blocks is taken.

    Raises :class:`TargetError` for an unknown target before anything is opened,
    and what opening the only file raises.
    """
    wanted = [pick_targets(disc.targets, targets) for disc in planned]
    seen: dict[_Key, ServedImage] = {}
    first_use: dict[_Key, int] = {}
    checked: list[CheckedDisc] = []
    for disc, found, readers in zip(planned, sources, wanted, strict=True):
        choice = _best(disc, found, readers, seen, plan_recipe, on_bytes)
        key = _identity(choice.source.file, disc)
        repeats = first_use.setdefault(key, disc.position)
        checked.append(replace(choice, repeats=repeats if repeats != disc.position else None))
    return checked


def _best(
    disc: PlanDisc,
    sources: Sources,
    targets: list[Target],
    seen: dict[_Key, ServedImage],
    plan_recipe: PlanRecipe,
    on_bytes: OnBytes,
) -> CheckedDisc:
    tried: list[CheckedDisc] = []
    reasons = list(sources.absent)
    failure: MediashelfError | None = None
    for file in sources.files:
        key = _identity(file, disc)
        try:
            if key not in seen:
                seen[key] = look_at(file, disc, plan_recipe, on_bytes)
        except MediashelfError as error:
            failure = error
            reasons.append(f"{file.source}: {error}")
            continue
        checked = _check(disc, seen[key], targets)
        if not checked.blockers:
            return _with_reasons(checked, reasons)
        tried.append(checked)
        reasons.append(f"{file.source}: has errors")
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
        str(checked.source.file.path),
        f"the disc comes from {checked.source.file.source}, because {'; '.join(reasons)}",
        "nothing, if that is intended",
    )
    return replace(checked, findings=(*checked.findings, note))


def _identity(file: SourceFile, disc: PlanDisc) -> _Key:
    path = os.path.realpath(file.path)
    return file.is_built, path, disc.pad, disc.track, disc.presentation


def _check(disc: PlanDisc, source: ServedImage, targets: list[Target]) -> CheckedDisc:
    findings = [*source.findings, *source.told]
    passed = []
    # What cannot be served, or is no disc, has no files that a target could read.
    for target in targets if source.can_be_served and is_disc(source.findings) else ():
        found = list(check_disc(source.facts, target))
        # A recipe is judged for its own targets when it is planned.
        findings += (one for one in found if one not in source.findings)
        own = (one for one in source.findings if one.target in ("", target.name))
        if worst([*own, *found]) is not Severity.ERROR:
            passed.append(target.name)
    return CheckedDisc(
        disc, source, tuple(findings), tuple(target.name for target in targets), tuple(passed)
    )
