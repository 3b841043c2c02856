"""What the rows of traps ask about a session: the machine, its discs, systems and partitions."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Any

from msgspec import Struct

from mediashelf.readability.target_files import BUILT_IN
from mediashelf.sessions.manifests.parts import BootWay
from mediashelf.sessions.plans.session_plan import SessionPlan
from mediashelf.sessions.plans.steps import PlannedPartition

MACHINE_KEYS = {
    "memory_over": "memory",
    "memory_under": "memory",
    "disk_over": "disk",
    "processor_over": "processor",
    "processor_under": "processor",
    "processor_bits": "processor_bits",
    "disk_mode": "disk_mode",
    "firmware": "firmware",
    "usb_boot": "usb_boot",
}
"""Conditions about the machine, with the plan's key that answers them."""

SESSION_KEYS = (
    *("beside", "after_newer"),
    *("partitioned", "partition_filesystem", "partition_over", "partition_ends_over"),
    "partitions_fit",
    *("start_is_fat16", "boots", "own_boots", "boots_as_floppy", "only_64_bit"),
)
"""Conditions about the rest of the plan, which are always answered."""

START_LIMIT = 2 << 30
"""Bytes of the largest partition that win9x and nt4 both start from (Microsoft KB Q243896)."""

_SPEED = re.compile(r"(\d+(?:\.\d+)?)\s*(MHz|GHz)", re.IGNORECASE)


class DiscTraits(Struct, frozen=True):
    """What the rows ask of one disc: for which systems it is, how it boots, on which processors."""

    targets: tuple[str, ...]
    boots: tuple[BootWay, ...] = ()
    only_64_bit: bool = False


def answers_for(plan: SessionPlan, discs: Sequence[DiscTraits], system: str) -> Mapping[str, Any]:
    """Return what each condition is compared with; None where the plan does not say it.

    ``system`` is the one that the row is asked for, empty for the machine as a whole.
    """
    machine = plan.machine
    own = [disc for disc in discs if not system or system in disc.targets]
    speed = speed_of(machine.processor)
    return {
        "memory_over": machine.memory,
        "memory_under": machine.memory,
        "processor_over": speed,
        "processor_under": speed,
        "processor_bits": machine.processor_bits,
        "disk_over": machine.disk,
        "disk_mode": machine.disk_mode or None,
        "firmware": machine.firmware or None,
        "usb_boot": machine.usb_boot,
        "boots": any(disc.boots for disc in discs),
        "own_boots": any(disc.boots for disc in own),
        "boots_as_floppy": any(
            way.method.startswith("floppy") for disc in discs for way in disc.boots
        ),
        "only_64_bit": any(disc.only_64_bit for disc in own),
        **_beside(plan, system),
        **_partitions(plan, system),
    }


def holds(key: str, wanted: Any, found: Any) -> bool:
    """Return whether an answer meets a condition."""
    if key.endswith("_over"):
        return bool(found > wanted)
    if key.endswith("_under"):
        return bool(found < wanted)
    if key == "beside":
        return bool(set(wanted) & set(found))
    return found in wanted if isinstance(wanted, tuple) else found == wanted


def speed_of(processor: str) -> int | None:
    """Return the clock in MHz that a text names, None where it names none."""
    match = _SPEED.search(processor)
    if match is None:
        return None
    return round(float(match[1]) * (1000 if match[2].lower() == "ghz" else 1))


def _beside(plan: SessionPlan, system: str) -> dict[str, Any]:
    systems = plan.systems
    before = systems[: systems.index(system)] if system in systems else ()
    ages = {name: age for age, name in enumerate(BUILT_IN)}
    is_newer = [ages.get(one, -1) > ages.get(system, len(ages)) for one in before]
    return {
        "beside": tuple(one for one in systems if one != system),
        "after_newer": any(is_newer),
    }


def _partitions(plan: SessionPlan, system: str) -> dict[str, Any]:
    """Return what is planned for the system; sizes are 0 where nothing is, or nobody said."""
    planned = [one for step in plan.steps for one in step.partitions]
    first = next((one for one in planned if one.disk == 1), None)
    own = next((one for one in planned if one.system == system), None)
    known = own or PlannedPartition("", "", "", "")
    return {
        "partitioned": own is not None,
        "partition_filesystem": known.kind,
        "partition_over": known.size_bytes or 0,
        "partition_ends_over": _end_of(planned, own),
        "partitions_fit": not plan.machine.disk
        or sum(one.size_bytes or 0 for one in planned if one.disk == 1) <= plan.machine.disk,
        "start_is_fat16": first is not None
        and first.kind in ("fat16", "fat")
        and 0 < (first.size_bytes or 0) <= START_LIMIT,
    }


def _end_of(planned: Sequence[PlannedPartition], wanted: PlannedPartition | None) -> int:
    """Return where a partition ends when all are made in order; at least, where sizes are open.

    Each disk begins anew.
    """
    end = 0
    for one in (one for one in planned if wanted is not None and one.disk == wanted.disk):
        end += one.size_bytes or 0
        if one is wanted:
            return end
    return 0
