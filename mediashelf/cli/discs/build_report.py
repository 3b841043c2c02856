"""``build --report``: a page about a disc that was planned or built."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from msgspec.structs import replace

from mediashelf.building.planning.disc_plan import DiscPlan
from mediashelf.building.planning.renamed import first_renamed
from mediashelf.building.tree import DiscFile
from mediashelf.building.writing.write import BuiltDisc
from mediashelf.cli.report_file import CREATED_BY, moment_text, write_report
from mediashelf.drivers.device_table import device_rows
from mediashelf.findings import Finding, Findings, joined
from mediashelf.jobs.discs.recipe_plan import JudgedPlan, PlannedRecipe
from mediashelf.reports.disc.page import RENAMED_SHOWN, DiscSubject, disc_html
from mediashelf.reports.disc.tables import Coverage, Renamed
from mediashelf.text import count_text

if TYPE_CHECKING:
    from mediashelf.building.spread.series import DiscSeries

_OF_DISC = re.compile(r"disc ([0-9]+): ?")


def write_pages(
    path: Path, work: PlannedRecipe, built: Sequence[BuiltDisc], *, is_dry_run: bool
) -> list[Path]:
    """Write a page for each disc, and return where; numbers tell those of a series apart.

    Raises :class:`OutputError`.
    """
    surveys = work.drivers.surveys if work.drivers is not None else ()
    count = len(work.plans)
    paths = []
    for number, judged in enumerate(work.discs, 1):
        disc = built[number - 1] if built else None
        page = path if count == 1 else path.with_stem(f"{path.stem}-{number}")
        own = work.findings if work.series is None else _about(work, work.series, number)
        coverage = [
            Coverage(one.target, tuple(device_rows(one)), f"disc {number}" if count > 1 else "")
            for one in surveys
        ]
        write_plan_page(page, judged, own, disc, is_dry_run=is_dry_run, coverage=coverage)
        paths.append(page)
    return paths


def _about(work: PlannedRecipe, series: DiscSeries, number: int) -> Findings:
    """Return what is about one disc of a series, without its name, and what is about all."""
    losses = work.drivers.losses if work.drivers is not None else ()
    others = _without_disc((*losses, *work.told), number)
    return joined(series.findings, work.discs[number - 1].findings, others)


def _without_disc(findings: Iterable[Finding], number: int) -> Iterator[Finding]:
    for finding in findings:
        named = _OF_DISC.match(finding.where)
        if named is None:
            yield finding
        elif int(named[1]) == number:
            yield replace(finding, where=finding.where[named.end() :])


def write_plan_page(
    path: Path,
    judged: JudgedPlan,
    findings: Sequence[Finding],
    built: BuiltDisc | None,
    *,
    is_dry_run: bool,
    coverage: Sequence[Coverage] = (),
) -> None:
    """Write the page of a plan, and of the disc where one was built from it.

    ``coverage`` is what a machine's devices find on the disc. Raises
    :class:`OutputError`.
    """
    plan = judged.plan
    recipe = plan.recipe
    renamed, renamed_count = first_renamed(plan.iter_files(), RENAMED_SHOWN)
    subject = DiscSubject(
        name=str(recipe.path) if recipe.path is not None else _folders(plan),
        facts=plan.facts,
        findings=findings,
        state=_state(built, is_dry_run=is_dry_run),
        verdicts=tuple(judged.verdicts.items()),
        asked=plan.capacity,
        renamed=tuple(Renamed(file.short_path, file.long_path) for file in renamed),
        renamed_count=renamed_count,
        coverage=coverage,
        long_paths=_long_paths(plan),
    )
    write_report(path, disc_html(subject, created=moment_text(), created_by=CREATED_BY))


def _long_paths(plan: DiscPlan) -> Iterator[str]:
    for directory in plan.layout.iso:
        for item in directory.items:
            yield item.long_path if isinstance(item, DiscFile) else ""


def _state(built: BuiltDisc | None, *, is_dry_run: bool) -> str:
    if built is not None:
        return f"built; read back, {count_text(built.plan.file_count, 'file')} equal to the sources"
    return "planned; nothing was written" + ("" if is_dry_run else " because of errors")


def _folders(plan: DiscPlan) -> str:
    return ", ".join(str(source.path) for source in plan.recipe.folders)
