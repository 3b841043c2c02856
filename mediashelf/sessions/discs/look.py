"""Look at one source of a disc: an image, a raw image to convert, or a recipe to build."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

from mediashelf.building.planning.disc_plan import DiscPlan
from mediashelf.findings import Finding
from mediashelf.formats.volume import DiscFacts
from mediashelf.image import open_image, open_view
from mediashelf.integrity.fixity.comparing import TRUNCATING_RULE, compare_with_record, observe
from mediashelf.integrity.structure.parts import check_structure
from mediashelf.sessions.discs.boot_floppy import CdStart, find_cd_start, read_cd_start
from mediashelf.sessions.discs.image_source import ImageSource, read_stamp
from mediashelf.sessions.discs.look_raw import look_at_tracks
from mediashelf.sessions.discs.planned import PlanRecipe
from mediashelf.sessions.discs.ways_out import check_served, ignored_track
from mediashelf.sessions.manifests.values import FileDigests
from mediashelf.sessions.plans.resolve import Candidate
from mediashelf.sessions.plans.session_plan import PlanDisc
from mediashelf.sessions.reading_back import ALGORITHMS, as_file_digests

OnBytes = Callable[[int], None]


@dataclass(frozen=True, slots=True)
class LookedAt:
    """What one source is, and what it becomes on the card.

    ``facts`` are those of the disc as it is served. ``findings`` hold for every
    target. ``image`` is None for a recipe, which has a ``disc_plan``, and for what
    cannot be served at all. ``digests`` are those of the image as it is served and
    ``original`` those of the file that it comes from, where they were read.
    ``cd_start`` tells of the boot floppy inside, None where there is none. ``told``
    is what a recipe's plan tells and what blocks nothing.
    """

    candidate: Candidate
    facts: DiscFacts
    findings: tuple[Finding, ...]
    image: ImageSource | None = None
    digests: FileDigests | None = None
    original: FileDigests | None = None
    cd_start: CdStart | None = None
    disc_plan: DiscPlan | None = None
    told: tuple[Finding, ...] = ()

    @property
    def can_be_served(self) -> bool:
        """Whether there is anything that could be put on a card."""
        return self.image is not None or self.disc_plan is not None


def look_at(
    candidate: Candidate, disc: PlanDisc, plan_recipe: PlanRecipe, on_bytes: OnBytes
) -> LookedAt:
    """Open the candidate, or plan it, with the wishes of its disc.

    Raises :class:`MediashelfError` for what cannot be opened or understood.
    """
    if candidate.is_recipe:
        return _look_at_recipe(candidate, plan_recipe)
    return _look_at_image(candidate, disc, on_bytes)


def _look_at_recipe(candidate: Candidate, plan_recipe: PlanRecipe) -> LookedAt:
    planned = plan_recipe(candidate.path)
    return LookedAt(
        candidate,
        planned.plan.facts,
        planned.findings,
        cd_start=_planned_cd_start(planned.plan),
        disc_plan=planned.plan,
        told=planned.told,
    )


def _planned_cd_start(plan: DiscPlan) -> CdStart | None:
    if plan.boot is None or not plan.boot.is_emulated:
        return None
    view = open_view(Path(plan.boot.content.path))
    try:
        return read_cd_start(view)
    finally:
        view.close()


def _look_at_image(candidate: Candidate, disc: PlanDisc, on_bytes: OnBytes) -> LookedAt:
    path, where = candidate.path, str(candidate.path)
    stamp = read_stamp(path)
    findings: tuple[Finding, ...] = ()
    cd_start = None
    with open_image(path) as image:
        facts = image.facts
        # What a reader sees in raw sectors is seen again below, with damage put right.
        if not facts.looks_raw:
            findings = (*image.findings, *check_structure(image))
            cd_start = find_cd_start(facts, image.view)
    digests = None
    if candidate.record is not None and candidate.record.digests:
        wanted = dict.fromkeys((*ALGORITHMS, *candidate.record.digests))
        observed = observe(path, algorithms=wanted, on_bytes=on_bytes)
        findings = compare_with_record(where, observed, candidate.record, findings).findings
        if observed.digests is not None:
            digests = as_file_digests(observed.digests)
    if facts.looks_raw:
        raw = look_at_tracks(path, disc, on_bytes)
        findings = (*findings, *raw.findings)
        return LookedAt(
            candidate, raw.facts, findings, raw.image, raw.digests, raw.original, raw.cd_start
        )
    is_cut = any(one.rule == TRUNCATING_RULE for one in findings)
    padding, served = check_served(facts.size, where, pad=disc.pad, is_cut=is_cut)
    findings = (*findings, *ignored_track(disc.track, where), *served)
    source = ImageSource(path, facts.size + padding, stamp, padding)
    facts = replace(facts, size=source.size)
    served_digests = None if padding else digests
    return LookedAt(candidate, facts, findings, source, served_digests, digests, cd_start)
