"""Look at one source of a disc: an image, a raw image to convert, or a recipe to build."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from msgspec.structs import replace

from mediashelf.file_view import open_view
from mediashelf.findings import Finding
from mediashelf.image import open_image
from mediashelf.integrity.fixity.acknowledged import Acknowledged, with_acknowledged
from mediashelf.integrity.fixity.comparing import compare_with_record
from mediashelf.integrity.fixity.reading import observe
from mediashelf.integrity.structure.parts import check_structure
from mediashelf.sessions.discs.boot_floppy import (
    CdStart,
    check_floppy,
    find_cd_start,
    read_cd_start,
)
from mediashelf.sessions.discs.hybrid import check_hybrid, find_partition_table
from mediashelf.sessions.discs.look_raw import look_at_tracks
from mediashelf.sessions.discs.served_bytes import ServedBytes, read_stamp
from mediashelf.sessions.discs.served_image import PlanRecipe, ServedImage
from mediashelf.sessions.discs.setup_program import needs_64_bit
from mediashelf.sessions.discs.ways_out import fit_to_serve, ignored_track, is_disc, is_to_pad
from mediashelf.sessions.plans.plan_disc import PlanDisc
from mediashelf.sessions.plans.resolve import SourceFile
from mediashelf.sessions.reading_back import ALGORITHMS, as_file_digests

if TYPE_CHECKING:  # most discs are not built for the session
    from mediashelf.building.planning.disc_plan import DiscPlan

OnBytes = Callable[[int], None]


def look_at(
    file: SourceFile, disc: PlanDisc, plan_recipe: PlanRecipe, on_bytes: OnBytes
) -> ServedImage:
    """Open the file, or plan its recipe, with the wishes of its disc.

    Raises :class:`MediashelfError` for what cannot be opened or understood.
    """
    if file.is_built:
        return _look_at_plan(file, disc, plan_recipe)
    return _look_at_image(file, disc, on_bytes)


def _look_at_plan(file: SourceFile, disc: PlanDisc, plan_recipe: PlanRecipe) -> ServedImage:
    planned = plan_recipe(file)
    no_table = check_hybrid(None, str(file.path), disc.presentation)
    cd_start, about_floppy = _look_at_floppy(planned.plan)
    return ServedImage(
        file,
        planned.plan.facts,
        (*planned.findings, *about_floppy, *ignored_track(disc.track, str(file.path)), *no_table),
        cd_start=cd_start,
        disc_plan=planned.plan,
        told=planned.told,
    )


def _look_at_floppy(plan: DiscPlan) -> tuple[CdStart | None, tuple[Finding, ...]]:
    if plan.boot is None or not plan.boot.is_emulated:
        return None, ()
    path = plan.boot.content.path
    view = open_view(Path(path))
    try:
        return read_cd_start(view), tuple(check_floppy(view, path))
    finally:
        view.close()


def _look_at_image(file: SourceFile, disc: PlanDisc, on_bytes: OnBytes) -> ServedImage:
    path, where = file.path, str(file.path)
    stamp = read_stamp(path)
    findings: tuple[Finding, ...] = ()
    cd_start, table, only_64_bit = None, None, False
    with open_image(path) as image:
        facts = image.facts
        # What a reader sees in raw sectors is seen again below, with damage put right.
        if not facts.looks_raw:
            findings = (*image.findings, *check_structure(image))
            cd_start = find_cd_start(facts, image.view)
            table = find_partition_table(image.view)
            only_64_bit = needs_64_bit(image)
    digests = None
    known: Mapping[str, Acknowledged] = {}
    if file.record is not None and file.record.digests:
        wanted = dict.fromkeys((*ALGORITHMS, *file.record.digests))
        observed = observe(path, algorithms=wanted, on_bytes=on_bytes)
        verdict = compare_with_record(where, observed, file.record, findings)
        findings = verdict.findings
        known = file.record.acknowledged if verdict.is_confirmed else {}
        if observed.digests is not None:
            digests = as_file_digests(observed.digests)
    if facts.looks_raw:
        raw = look_at_tracks(file, disc, on_bytes)
        no_table = check_hybrid(None, where, disc.presentation)
        own = with_acknowledged(raw.findings, known)
        return replace(raw, findings=(*findings, *own, *no_table))
    padding, served = fit_to_serve(
        facts.size,
        where,
        pad=disc.pad,
        may_pad=is_to_pad(findings),
        presentation=disc.presentation,
        is_hybrid=table is not None,
    )
    hybrid = check_hybrid(table, where, disc.presentation)
    if is_disc(findings):
        findings = (*findings, *ignored_track(disc.track, where), *served, *hybrid)
    source = ServedBytes(path, facts.size + padding, stamp, padding)
    facts = replace(facts, size=source.size)
    served_digests = None if padding else digests
    return ServedImage(
        file,
        facts,
        findings,
        source,
        served_digests,
        digests,
        cd_start,
        only_64_bit=only_64_bit,
    )
