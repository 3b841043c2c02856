"""Has every device of a session's machine a driver on the session's discs, and where?"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from contextlib import ExitStack

from msgspec.structs import replace

from mediashelf.drivers.coverage import Cover, DeviceCover
from mediashelf.drivers.device_table import device_row
from mediashelf.drivers.findings import NOT_MATCHED, check_survey, device_title
from mediashelf.drivers.machines.reading import Machine, read_machines
from mediashelf.drivers.packages.families import FAMILIES, choose_family
from mediashelf.drivers.packages.finding import PackagesFound, find_packages
from mediashelf.drivers.packages.tree import PackageTree
from mediashelf.drivers.survey import Survey
from mediashelf.drivers.surveying import survey
from mediashelf.drivers.verdict import DriverState, summary_text
from mediashelf.findings import Finding, Severity
from mediashelf.jobs.discs.driver_sources import PlannedSource, Source, open_image_source
from mediashelf.jobs.driver_families import family_name, say_no_family
from mediashelf.readability.targets import Target
from mediashelf.reports.bench.sheet_chapters import SheetDevice
from mediashelf.sessions.discs.preflight import CheckedDisc
from mediashelf.sessions.plans.machine import PlannedMachine
from mediashelf.sessions.plans.session_plan import SessionPlan
from mediashelf.text import count_text


def check_drivers(
    plan: SessionPlan,
    discs: Sequence[CheckedDisc],
    targets: Mapping[str, Target],
    devices: list[SheetDevice],
) -> Iterator[Finding]:
    """Check the ``[machine] devices`` of a plan against all its discs.

    Of a target that takes no INFs one note is enough, unless a recipe declares drivers. What a
    disc's own recipe tells of the same machine is not told again. What the run sheet says of
    each device is put into ``devices``.
    """
    machine = read_machines(plan.machine.devices)
    told = {(one.rule, one.target, one.where) for disc in discs for one in disc.source.told}
    yield from (
        _as_hint(one) for one in machine.findings if (one.rule, one.target, one.where) not in told
    )
    seen = [disc for disc in discs if disc.repeats is None]
    with ExitStack() as stack:
        sources = [_source_of(disc, stack) for disc in seen]
        for name in plan.targets:
            family = family_name(targets[name])
            if family is None:
                yield say_no_family(targets[name])
                continue
            readers = [
                (disc, source)
                for disc, source in zip(seen, sources, strict=True)
                if name in disc.targets
            ]
            founds = list(_packages(readers, targets[name]))
            result = survey(founds, choose_family(family), name, machine.devices)
            if not FAMILIES[family].takes_infs and not _has_drivers(result):
                yield _none_declared(result, machine)
                continue
            devices += _sheet_devices(result, plan.machine)
            yield _summary(result, machine)
            yield from (
                _as_hint(finding)
                for finding in check_survey(result)
                if (finding.severity > Severity.NOTE or finding.rule == NOT_MATCHED)
                and (finding.rule, finding.target, _on_disc(finding.where)) not in told
            )


def _sheet_devices(result: Survey, machine: PlannedMachine) -> Iterator[SheetDevice]:
    for cover in result.covers:
        verdict = result.verdict(cover)
        row = device_row(cover, verdict)
        path = row.long_path or row.short_path
        folder = path if verdict.by is Cover.DECLARED else path.rpartition("/")[0]
        place = f"{row.source}: {folder.lstrip('/') or 'its top folder'}" if path else ""
        # Where all is well the folder says enough.
        state = "" if verdict.words == DriverState.COVERED else verdict.words
        yield SheetDevice(result.target, row.device, _slot(cover, machine), place, state)


def _slot(cover: DeviceCover, machine: PlannedMachine) -> str:
    """Return where the plan says that the part is, else the place on the bus."""
    device = cover.device
    for part in machine.parts:
        wanted = part.device.casefold()
        vendor, _, number = wanted.partition(":")
        chip = f"pci\\ven_{vendor}&dev_{number}" if number else wanted
        if wanted and chip in (one.casefold() for one in (device.main_id, *device.hardware_ids)):
            return part.where or device.slot
    return device.slot


def _source_of(disc: CheckedDisc, stack: ExitStack) -> Source:
    """Return the disc as it will be served: of a recipe its plan, of a sheet the raw file."""
    looked = disc.source
    if looked.disc_plan is not None:
        return PlannedSource(str(looked.file.path), looked.disc_plan)
    path = looked.file.path if looked.image is None else looked.image.path
    return stack.enter_context(open_image_source(path))


def _packages(
    readers: Sequence[tuple[CheckedDisc, Source]], target: Target
) -> Iterator[tuple[PackageTree, PackagesFound]]:
    for disc, source in readers:
        tree = source.tree_for(target)
        if tree is not None:
            tree = replace(tree, name=f"disc {disc.position}", prefix=f"disc {disc.position}:")
            yield tree, find_packages(tree)


def _on_disc(where: str) -> str:
    """Return a place as the disc's own findings name it."""
    return re.sub(r"^disc [0-9]+:", "", where)


def _summary(result: Survey, machine: Machine) -> Finding:
    """Return how many devices are covered, with those that are not."""
    rows = zip(result.covers, result.verdicts, strict=True)
    others = [
        f"{device_title(cover)}: {verdict.words}"
        for cover, verdict in rows
        if verdict.state is not DriverState.COVERED
    ]
    return Finding(
        "devices-covered",
        Severity.NOTE,
        machine.name,
        "; ".join([summary_text(result.verdicts), *others]),
        target=result.target,
    )


def _has_drivers(result: Survey) -> bool:
    return any(verdict.state is not DriverState.NONE for verdict in result.verdicts)


def _none_declared(result: Survey, machine: Machine) -> Finding:
    """Return that nothing tells which driver is for which device: ``dos`` has no INFs."""
    return Finding(
        "devices-not-declared",
        Severity.NOTE,
        machine.name,
        "no recipe of the session says which devices its drivers are for, so nothing is known "
        f"of {count_text(len(result.covers), 'device')}",
        'say provides = ["…"] for the folder of a driver in the recipe',
        "common practice",
        target=result.target,
    )


def _as_hint(finding: Finding) -> Finding:
    """Return the finding as no more than a warning: a session can go on without one driver.

    The drivers that a system brings are in its own archives, and are not seen here.
    """
    return replace(finding, severity=min(finding.severity, Severity.WARNING))
