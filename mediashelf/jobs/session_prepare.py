"""From a plan's file to a checked session, and on to a prepared card that is on record."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path

from msgspec import Struct

from mediashelf.errors import SessionPlanError
from mediashelf.findings import Finding
from mediashelf.jobs.library.naming import find_place
from mediashelf.jobs.progress import Progress, no_progress
from mediashelf.jobs.session_journal import keep_prepared
from mediashelf.jobs.session_library import open_library
from mediashelf.jobs.session_recipes import recipe_planner
from mediashelf.readability.targets import Target, load_targets
from mediashelf.reports.bench.sheet_chapters import SheetDevice
from mediashelf.sessions.discs.preflight import CheckedDisc
from mediashelf.sessions.manifests.values import Manifest
from mediashelf.sessions.manifests.versions import CURRENT
from mediashelf.sessions.plan_check import look_at_plan
from mediashelf.sessions.plans.session_plan import (
    SessionPlan,
    for_machine,
    load_plan,
    with_padding,
)
from mediashelf.sessions.prepare import (
    CheckedSession,
    PreparedCard,
    hold_session,
    refuse_blocked_session,
    stage_session,
)


class Places(Struct, frozen=True):
    """Where the catalogue and a person's own targets are; None for the usual places."""

    catalogue: Path | None = None
    targets: Path | None = None

    def find_place(self, name: str) -> str:
        """Return the path of an image that is named as on its shelf; see :func:`.find_place`."""
        return find_place(name, self.catalogue)


class CheckedPlan(Struct, frozen=True):
    """A plan with its discs, and what was found about the machine."""

    plan: SessionPlan
    discs: tuple[CheckedDisc, ...]
    about_machine: tuple[Finding, ...]

    @property
    def findings(self) -> list[Finding]:
        """Every finding, those of the discs first."""
        return [*(one for disc in self.discs for one in disc.findings), *self.about_machine]


class PrepareOptions(Struct, frozen=True):
    """What a person asks of ``prepare``; see its help."""

    is_dry_run: bool = False
    anyway: bool = False
    tidy: bool = False
    pad: bool = False
    machine: str = ""
    manifest_version: int = CURRENT


def examine_plan(
    plan_path: Path, places: Places, *, machine: str = "", progress: Progress = no_progress
) -> CheckedPlan:
    """Find and check the discs of a plan for one of its machines; no card is needed."""
    plan = _load(plan_path, machine)
    targets = load_targets(places.targets)
    with open_library(places.catalogue) as library, progress("checking") as on_bytes:
        discs, about_machine = look_at_plan(
            plan,
            library,
            targets,
            plan_recipe=recipe_planner(targets, plan.targets, places.find_place),
            more_checks=_driver_check(targets, []),
            on_bytes=on_bytes,
        )
    return CheckedPlan(plan, discs, about_machine)


def _driver_check(
    targets: Mapping[str, Target], devices: list[SheetDevice]
) -> Callable[[SessionPlan, Sequence[CheckedDisc]], Iterator[Finding]]:
    """Return the check of a machine's devices; what the run sheet says of them is put there."""

    def check(plan: SessionPlan, discs: Sequence[CheckedDisc]) -> Iterator[Finding]:
        if plan.machine.devices:  # most plans name none
            from mediashelf.jobs.session_drivers import check_drivers

            yield from check_drivers(plan, discs, targets, devices)

    return check


def prepare_card(
    plan_path: Path,
    card: Path,
    places: Places,
    options: PrepareOptions,
    *,
    created: str,
    on_checked: Callable[[CheckedSession], None],
    progress: Progress = no_progress,
) -> tuple[PreparedCard | None, str]:
    """Check a plan, put its discs on a card and record the session.

    ``on_checked`` is called before anything changes on the card, and before
    :class:`BlockedError` is raised. Returns the prepared card, None after a dry run,
    and what to tell a person about the record, or an empty text.
    """
    plan = _load(plan_path, options.machine)
    if options.pad:
        plan = with_padding(plan)
    targets = load_targets(places.targets)
    devices: list[SheetDevice] = []

    def sheets(manifest: Manifest) -> dict[str, bytes]:
        from mediashelf.reports.bench.run_sheet import sheet_html, sheet_text  # not in a dry run

        return {
            "run-sheet.html": sheet_html(manifest, plan, devices).encode("utf-8"),
            "run-sheet.txt": sheet_text(manifest, plan, devices).encode("utf-8"),
        }

    with (
        open_library(places.catalogue) as library,
        progress("checking") as on_checked_bytes,
        hold_session(
            plan,
            card,
            library,
            targets,
            tidy=options.tidy,
            plan_recipe=recipe_planner(targets, plan.targets, places.find_place),
            more_checks=_driver_check(targets, devices),
            on_bytes=on_checked_bytes,
        ) as session,
    ):
        on_checked(session)
        refuse_blocked_session(session, anyway=options.anyway)
        if options.is_dry_run:
            return None, ""
        total = sum(step.work_size for step in session.arrangement.discs)
        with progress("copying", total=total) as on_bytes:
            prepared = stage_session(
                session,
                sheets,
                created=created,
                anyway=options.anyway,
                tidy=options.tidy,
                version=options.manifest_version,
                on_bytes=on_bytes,
            )
    return prepared, keep_prepared(places.catalogue, prepared) or ""


def _load(plan_path: Path, machine: str) -> SessionPlan:
    plan = load_plan(plan_path)
    try:
        return for_machine(plan, machine)
    except SessionPlanError as error:
        raise SessionPlanError(f"{plan_path}: {error}") from error
