"""Session plans: the TOML that a person writes before a bench session.

::

    name = "Tide-table kiosk"
    targets = ["win9x"]              # who must read the discs, unless a disc says otherwise
    machine = "Kiosk PC, 1999"       # or a table: [machine] name, memory, disk, …

    [card]                           # what the discs will be put on
    filesystem = "fat32"
    capacity = "4GB"

    [drive]                          # what firmware and systems call the emulated drive
    product = "TIDE DISCS"

    [[disc]]                         # one for each disc, in the order of use
    image = "library/system.iso"     # or recipe = "….toml", find = "words in the catalogue",
                                     # or floppy = "boot.ima", which becomes a boot disc
    purpose = "Install the system"

Reading a plan touches no disc: what it names is looked for by
:mod:`mediashelf.sessions.plans.resolve`.
"""

from __future__ import annotations

from pathlib import Path
from typing import Literal, cast

from msgspec import Struct
from msgspec.structs import replace

from mediashelf.errors import SessionPlanError
from mediashelf.sessions.card_space import CARD_KIND_NAMES
from mediashelf.sessions.plans.machine import (
    PlannedMachine,
    choose_machine,
    read_machines,
    refuse_product_keys,
)
from mediashelf.sessions.plans.plan_disc import (
    DISC_KEYS,
    PlanDisc,
    disc_number,
    in_order_of_use,
    parse_disc,
)
from mediashelf.sessions.plans.steps import STEP_KEYS, PlanStep, read_step
from mediashelf.tables.reading import TableKind, read_tables
from mediashelf.tables.table import Table
from mediashelf.text import did_you_mean

Start = int | Literal["none", "last"]
"""What the drive presents when the board starts: a position, nothing, or the last disc."""

MAX_DISCS = 99
"""Discs in one plan; the position is two digits of the name on the card."""

PLAN_FILE = TableKind(
    "a session plan",
    ("name", "targets", "start", "machine", "card", "drive", "disc", "step"),
    SessionPlanError,
)
_DRIVE_KEYS = {"vendor": 8, "product": 16}  # characters of each in INQUIRY data
_CARD_KEYS = ("filesystem", "capacity")


class CardWish(Struct, frozen=True):
    """What the plan says about the card; sizes in bytes, nothing said is empty or None."""

    filesystem: str = ""
    capacity: int | None = None


class SessionPlan(Struct, frozen=True):
    """A whole plan; ``discs`` stand in the order of use. Paths start from ``folder``.

    ``start`` is what the drive presents when the board starts; ``steps`` are what there
    is to do beside the discs, in order; ``drive`` are its vendor and product names.
    """

    name: str
    machines: tuple[PlannedMachine, ...]
    card: CardWish
    discs: tuple[PlanDisc, ...]
    folder: Path
    start: Start = "last"
    named_targets: tuple[str, ...] = ()
    steps: tuple[PlanStep, ...] = ()
    drive: tuple[str, str] = ("", "")

    @property
    def machine(self) -> PlannedMachine:
        """The machine to be set up: the first, until one is chosen."""
        return self.machines[0]

    @property
    def systems(self) -> tuple[str, ...]:
        """Every system in the order of installation: as the plan lists them, then the rest."""
        return tuple(dict.fromkeys((*self.named_targets, *self.targets)))

    @property
    def targets(self) -> tuple[str, ...]:
        """Every target that some disc must serve, in the order first named."""
        return tuple(dict.fromkeys(target for disc in self.discs for target in disc.targets))


def load_plan(path: Path) -> SessionPlan:
    """Read and understand a plan's file.

    Raises :class:`InputError` when it cannot be read and
    :class:`SessionPlanError`, with the place in the plan, when it cannot be
    understood.
    """
    return read_tables(path, PLAN_FILE, lambda top: understand_plan(top, path.parent))


def understand_plan(top: Table, folder: Path) -> SessionPlan:
    """Return what a plan's tables say; raises :class:`SessionPlanError`.

    Not checked here: whether the discs exist and whether the targets are known.
    """
    name = top.text("name", needed="it is the title of the run sheet").strip()
    targets = top.texts("targets", "targets")
    for key in top:
        refuse_product_keys(top.value(key), key)
    machines = read_machines(top, folder)
    card = _card(top)
    discs = [
        parse_disc(table, number, targets, folder)
        for number, table in enumerate(top.tables("disc", DISC_KEYS), start=1)
    ]
    if not discs:
        raise SessionPlanError("names no disc; add at least one [[disc]]")
    if len(discs) > MAX_DISCS:
        raise SessionPlanError(f"names {len(discs)} discs; the most for one session is {MAX_DISCS}")
    start = _start(top, len(discs))
    ordered = in_order_of_use(discs)
    steps = tuple(_step(table, ordered) for table in top.tables("step", STEP_KEYS))
    plan = SessionPlan(name, machines, card, ordered, folder, start, targets, steps, _drive(top))
    for step in steps:
        if step.system and step.system not in plan.systems:
            hint = did_you_mean(step.system, plan.systems)
            raise SessionPlanError(
                f"step {step.do!r}: system {step.system!r} is not one of the plan's targets, "
                f"which are: {', '.join(plan.systems) or 'none'}{hint}"
            )
        if step.machine:
            _refuse_unknown_machine(step, machines)
    return plan


def _refuse_unknown_machine(step: PlanStep, machines: tuple[PlannedMachine, ...]) -> None:
    names = [one.name for one in machines]
    if step.machine not in names:
        known = "; ".join(name for name in names if name) or "without a name"
        raise SessionPlanError(
            f"step {step.do!r}: machine {step.machine!r} is not one of the plan's machines, "
            f"which are: {known}{did_you_mean(step.machine, names)}"
        )


def _step(table: Table, discs: tuple[PlanDisc, ...]) -> PlanStep:
    step = read_step(table)
    wanted = step.before or step.after
    if not wanted:
        return step
    number = disc_number(wanted, table.place, list(discs))
    return replace(step, position=next(one.position for one in discs if one.number == number))


def for_machine(plan: SessionPlan, wanted: str) -> SessionPlan:
    """Return the plan for one machine of it, without the steps of others.

    See :func:`choose_machine` for what ``wanted`` may be.
    """
    chosen = choose_machine(plan.machines, wanted)
    # Of a single machine the name may have been replaced; all steps are for it.
    others = {one.name for one in plan.machines if len(plan.machines) > 1} - {chosen.name}
    steps = tuple(step for step in plan.steps if step.machine not in others)
    return replace(plan, machines=(chosen,), steps=steps)


def with_padding(plan: SessionPlan) -> SessionPlan:
    """Return the plan with every disc padded that needs it."""
    return replace(plan, discs=tuple(replace(disc, pad=True) for disc in plan.discs))


def _start(top: Table, count: int) -> Start:
    value = top.value("start")
    if value is None:
        return "last"
    if value in ("none", "last"):
        return cast(Start, value)
    if type(value) is not int or not 1 <= value <= count:
        raise top.wrong("start", f"none, last, or the position of a disc from 1 to {count}")
    return value


def _card(top: Table) -> CardWish:
    table = top.table("card", _CARD_KEYS)
    return CardWish(table.choice("filesystem", CARD_KIND_NAMES), table.size("capacity"))


def _drive(top: Table) -> tuple[str, str]:
    table = top.table("drive", tuple(_DRIVE_KEYS))
    names = {key: table.text(key).strip() for key in _DRIVE_KEYS}
    for key, most in _DRIVE_KEYS.items():
        name = names[key]
        if len(name) > most or not (name.isascii() and name.isprintable()):
            raise table.wrong(key, f"at most {most} plain characters (ASCII)")
    return names["vendor"], names["product"]
