"""A plan checked without a card: its discs found and looked at, and what the machine needs."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence

from msgspec.structs import replace

from mediashelf.findings import Finding, Severity
from mediashelf.readability.targets import Target
from mediashelf.sessions.discs.conditions import DiscTraits
from mediashelf.sessions.discs.dos_steps import dos_needs
from mediashelf.sessions.discs.glance import boot_ways
from mediashelf.sessions.discs.planned import PlanRecipe
from mediashelf.sessions.discs.preflight import CheckedDisc, look_at_discs
from mediashelf.sessions.discs.readiness import check_boot, check_readiness
from mediashelf.sessions.manifests.parts import BootWay
from mediashelf.sessions.plans.resolve import Library, resolve_plan
from mediashelf.sessions.plans.session_plan import SessionPlan

MoreChecks = Callable[[SessionPlan, Sequence[CheckedDisc]], Iterable[Finding]]
"""Checks of the machine that need more than a session knows of."""


def look_at_plan(
    plan: SessionPlan,
    library: Library,
    targets: Mapping[str, Target],
    *,
    plan_recipe: PlanRecipe,
    more_checks: MoreChecks = lambda plan, discs: (),
    on_bytes: Callable[[int], None] = lambda count: None,
) -> tuple[tuple[CheckedDisc, ...], tuple[Finding, ...]]:
    """Find and check every disc, without a card; return them, and findings about the machine.

    Raises :class:`SessionPlanError` for discs that cannot be found,
    :class:`TargetError` for unknown targets, and what opening a disc raises.
    """
    sources = resolve_plan(plan, library)
    discs = look_at_discs(plan.discs, sources, targets, plan_recipe=plan_recipe, on_bytes=on_bytes)
    boots = [boot_ways(disc.source.facts) for disc in discs]
    needs = dos_needs(discs)
    discs = [
        _with_boot(disc, ways, plan, need)
        for disc, ways, need in zip(discs, boots, needs, strict=True)
    ]
    # In the order of acting: what must be on the discs is fixed at the desk.
    traits = [
        DiscTraits(disc.targets, ways, disc.source.only_64_bit)
        for disc, ways in zip(discs, boots, strict=True)
    ]
    about_machine = (*more_checks(plan, discs), *check_readiness(plan, traits))
    return tuple(discs), (*about_machine, *_start_finding(plan, discs))


def _with_boot(
    disc: CheckedDisc, ways: tuple[BootWay, ...], plan: SessionPlan, needs: Iterable[Finding]
) -> CheckedDisc:
    if not disc.source.can_be_served:
        return disc
    found = check_boot(disc.position, ways, plan, str(disc.source.file.path))
    return replace(disc, findings=(*disc.findings, *found, *needs))


def _start_finding(plan: SessionPlan, discs: Iterable[CheckedDisc]) -> Iterator[Finding]:
    for disc in discs:
        if disc.position == plan.start and disc.may_erase:
            yield Finding(
                "start-erases-nothing",
                Severity.WARNING,
                "start",
                f"the drive presents disc {disc.position} whenever the board starts, and that disc "
                "may erase disks by itself; a board that the PC feeds starts with the PC",
                'say start = "last" in the plan, or erases = false for a disc that asks first',
                "own behaviour",
            )
