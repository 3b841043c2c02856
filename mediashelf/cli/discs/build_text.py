"""Plans, discs and series as text for people, from 40 columns up."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING

from mediashelf.building.planning.boot import PlannedBoot
from mediashelf.building.planning.disc_plan import DiscPlan
from mediashelf.building.planning.renamed import first_renamed
from mediashelf.building.writing.write import BuiltDisc
from mediashelf.cli.render import say, say_wrapped
from mediashelf.findings import Finding, summary
from mediashelf.formats.volume import SECTOR_SIZE
from mediashelf.jobs.discs.recipe_plan import PlannedRecipe
from mediashelf.text import count_text, size_text

if TYPE_CHECKING:
    from mediashelf.building.spread.series import DiscSeries

RENAMED_SHOWN = 20


def say_work(work: PlannedRecipe, *, show_renamed: bool) -> None:
    """Print what will be built, and what a machine finds on it."""
    if work.series is not None:
        _say_series(work.series)
    for number, disc in enumerate(work.discs, 1):
        plan, verdicts = disc.plan, disc.verdicts
        title = f"{plan.recipe.label} (label {plan.label.short})"
        say_wrapped(title if len(work.plans) == 1 else f"disc {number}: {title}")
        _say_plan(plan, verdicts, show_renamed=show_renamed)
        if work.series is not None and len(work.plans) > 1:
            _say_packages(work.series, number)
        say()
    if work.drivers is not None:
        # Loaded only with a machine: what knows of drivers is large.
        from mediashelf.cli.discs.driver_text import say_coverage
        from mediashelf.drivers.coverage import Cover

        for result in work.drivers.surveys:
            # Where nothing is found the list would only repeat the machine's file.
            is_worth = any(cover.cover is not Cover.NONE for cover in result.covers)
            say_coverage(result, with_devices=is_worth)
            say()


def _say_series(series: DiscSeries) -> None:
    count = count_text(len(series.plans), "disc")
    say_wrapped(f"{count} for {series.recipe.capacity.name}, packages whole")
    say()


def _say_packages(series: DiscSeries, number: int) -> None:
    pages = series.plans[number - 1].pages
    if pages.series is None:
        return
    for part in pages.series.discs[number - 1].parts:
        what = "" if part.is_whole else ", files only"
        say_wrapped(f"{part.long_path} ({size_text(part.size)}{what})", indent=4)


def _say_plan(plan: DiscPlan, verdicts: Mapping[str, str], *, show_renamed: bool) -> None:
    shared = f"; equal files save {size_text(plan.shared_size)}" if plan.shared_size else ""
    say_wrapped(
        f"{count_text(plan.file_count, 'file')} in {count_text(plan.folder_count, 'folder')}, "
        f"{size_text(plan.source_size)}{shared}",
        indent=2,
    )
    say_wrapped(f"{plan.size // SECTOR_SIZE:,} sectors, {plan.size:,} bytes", indent=2)
    capacity = plan.capacity
    say_wrapped(
        f"{capacity.percent_of(plan.size):.1f} % of {capacity.name} ({capacity.sectors:,} sectors)",
        indent=2,
    )
    if plan.boot is not None:
        say_wrapped(f"boots {_boot_text(plan.boot)}", indent=2)
    for name, verdict in verdicts.items():
        say_wrapped(f"{name} {verdict}", indent=2)
    if show_renamed:
        _say_renamed(plan)


def _say_renamed(plan: DiscPlan) -> None:
    renamed, number = first_renamed(plan.iter_files(), RENAMED_SHOWN)
    if not renamed:
        return
    say()
    words = "differs from the long one" if number == 1 else "differ from the long ones"
    say_wrapped(f"{count_text(number, 'short name')} {words}")
    for file in renamed:
        say_wrapped(file.short_path, indent=2)
        say_wrapped(file.long_name, indent=4)
    if number > len(renamed):
        say_wrapped(
            f"… and {number - len(renamed):,} more; --json and the disc's index page list all",
            indent=2,
        )


def _boot_text(boot: PlannedBoot) -> str:
    if boot.is_emulated:
        return "with an emulated floppy"
    return f"without emulation, {count_text(boot.load_sectors, 'sector')} of 512 bytes loaded"


def say_result(
    findings: Sequence[Finding], blockers: Sequence[Finding], built: Iterable[BuiltDisc]
) -> None:
    """Print the sum of the findings, and what was built in spite of which errors."""
    if findings:
        say()
    say_wrapped(summary(findings))
    spite = f" in spite of {count_text(len(blockers), 'error')}" if blockers else ""
    for disc in built:
        say_wrapped(
            f"{disc.path}: built{spite}; read back, {count_text(disc.plan.file_count, 'file')} "
            "equal to the sources"
        )
