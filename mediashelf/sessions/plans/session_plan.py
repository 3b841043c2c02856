"""Session plans: the TOML that a person writes before a bench session.

::

    name = "Tide-table kiosk"
    targets = ["win9x"]              # who must read the discs, unless a disc says otherwise
    machine = "Kiosk PC, 1999"       # or a table: [machine] name, memory, disk, …

    [card]                           # what the discs will be put on
    filesystem = "fat32"
    capacity = "4GB"

    [[disc]]                         # one for each disc, in the order of use
    image = "library/system.iso"     # or recipe = "….toml", or find = "words in the catalogue"
    purpose = "Install the system"

Reading a plan touches no disc: what it names is looked for by
:mod:`mediashelf.sessions.plans.resolve`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum
from pathlib import Path
from typing import Literal, cast, get_args

from mediashelf.errors import SessionPlanError
from mediashelf.sessions.card_space import CARD_KIND_NAMES
from mediashelf.sessions.emulator import Presentation
from mediashelf.tables.reading import TableKind, read_tables
from mediashelf.tables.table import Table
from mediashelf.text import did_you_mean

Start = int | Literal["none", "last"]
"""What the drive presents when the board starts: a position, nothing, or the last disc."""

MAX_DISCS = 99
"""Discs in one plan; the position is two digits of the name on the card."""

MAX_TRACKS = 99
"""ECMA-130 22.3.3.1: track numbers have two digits."""

DISK_MODES = ("ide", "ahci", "raid")
FIRMWARES = ("bios", "uefi")

PLAN_FILE = TableKind(
    "a session plan", ("name", "targets", "start", "machine", "card", "disc"), SessionPlanError
)
_MACHINE_KEYS = ("name", "memory", "disk", "disk_mode", "firmware", "optical_boot", "devices")
_CARD_KEYS = ("filesystem", "capacity")


class SourceKind(StrEnum):
    """How a plan names a disc; the words are the plan's keys."""

    IMAGE = "image"
    RECIPE = "recipe"
    FIND = "find"


_SOURCE_KEYS = tuple(kind.value for kind in SourceKind)
_DISC_KEYS = (
    *_SOURCE_KEYS, "targets", "name", "purpose", "expect", "after", "or", "pad", "track",
    "erases", "presentation",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class DiscSource:
    """Where a disc comes from; ``text`` is just as written: a path, or words to find."""

    kind: SourceKind
    text: str

    def __str__(self) -> str:
        return f"{self.kind} {self.text!r}"


@dataclass(frozen=True, slots=True)
class PlanDisc:
    """One disc of a session.

    ``number`` counts the plan's ``[[disc]]`` tables from 1, ``position`` the order of
    use. ``alternatives`` are tried in order when ``source`` is not there. ``after``
    names discs that must come before this one, by their ``name`` or by the text of
    their source; ``after_positions`` is where they are in the order of use. With
    ``pad`` an image that is too small for the emulator, or ends inside a block, is
    filled up on the card. ``track`` is the number of the track of a raw image that is
    served. ``erases`` says whether the disc may erase disks by itself; None where
    nobody said. Without ``targets`` the disc is for no system, such as a memory tester.
    """

    number: int
    source: DiscSource
    targets: tuple[str, ...]
    name: str = ""
    purpose: str = ""
    expect: str = ""
    after: tuple[str, ...] = ()
    alternatives: tuple[DiscSource, ...] = ()
    pad: bool = False
    track: int | None = None
    erases: bool | None = None
    presentation: Presentation = "optical"
    position: int = 0
    after_positions: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class CardWish:
    """What the plan says about the card; sizes in bytes, nothing said is empty or None."""

    filesystem: str = ""
    capacity: int | None = None


@dataclass(frozen=True, slots=True)
class PlannedMachine:
    """The machine to be set up; sizes in bytes, nothing said is empty or None.

    ``memory`` is read in powers of 1024 whatever the unit looks like, as memory
    is sold; ``disk`` in powers of 1000 for ``GB``, as disks are. ``devices`` is the
    path of a list of its devices, as written.
    """

    name: str = ""
    memory: int | None = None
    disk: int | None = None
    disk_mode: str = ""
    firmware: str = ""
    optical_boot: bool | None = None
    devices: str = ""


@dataclass(frozen=True, slots=True)
class SessionPlan:
    """A whole plan; ``discs`` stand in the order of use. Paths start from ``folder``.

    ``start`` is what the drive presents when the board starts.
    """

    name: str
    machine: PlannedMachine
    card: CardWish
    discs: tuple[PlanDisc, ...]
    folder: Path
    start: Start = "last"

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
    machine = _machine(top, folder)
    card = _card(top)
    discs = [
        _disc(table, number, targets, folder)
        for number, table in enumerate(top.tables("disc", _DISC_KEYS), start=1)
    ]
    if not discs:
        raise SessionPlanError("names no disc; add at least one [[disc]]")
    if len(discs) > MAX_DISCS:
        raise SessionPlanError(f"names {len(discs)} discs; the most for one session is {MAX_DISCS}")
    start = _start(top, len(discs))
    return SessionPlan(name, machine, card, in_order_of_use(discs), folder, start)


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


def _machine(top: Table, folder: Path) -> PlannedMachine:
    if isinstance(top.value("machine"), str):
        return PlannedMachine(top.text("machine").strip())
    table = top.table("machine", _MACHINE_KEYS)
    return PlannedMachine(
        name=table.text("name").strip(),
        memory=table.size("memory", binary=True),
        disk=table.size("disk"),
        disk_mode=table.choice("disk_mode", DISK_MODES),
        firmware=table.choice("firmware", FIRMWARES),
        optical_boot=table.flag("optical_boot"),
        devices=table.path_text("devices", folder),
    )


def _card(top: Table) -> CardWish:
    table = top.table("card", _CARD_KEYS)
    return CardWish(table.choice("filesystem", CARD_KIND_NAMES), table.size("capacity"))


def _disc(table: Table, number: int, plan_targets: tuple[str, ...], folder: Path) -> PlanDisc:
    disc = PlanDisc(
        number=number,
        source=_source(table, folder),
        targets=table.texts("targets", "targets") if "targets" in table else plan_targets,
        name=table.text("name").strip(),
        purpose=table.text("purpose").strip(),
        expect=table.text("expect").strip(),
        after=table.texts("after", "discs, by name or by what they come from"),
        alternatives=tuple(_source(other, folder) for other in table.tables("or", _SOURCE_KEYS)),
        pad=table.flag("pad") or False,
        track=table.number("track", 1, MAX_TRACKS),
        erases=table.flag("erases"),
        presentation=cast(
            Presentation, table.choice("presentation", get_args(Presentation)) or "optical"
        ),
    )
    if not disc.targets and "targets" not in table:
        raise table.error(
            f"{disc.source} has no targets; name the systems that must read it with "
            'targets = ["…"] here or at the top of the plan, or say targets = [] for a disc that '
            "is for none, such as a memory tester"
        )
    return disc


def _source(table: Table, folder: Path) -> DiscSource:
    named = [kind for kind in SourceKind if kind.value in table]
    if len(named) != 1:
        said = " and ".join(named) or "none of them"
        raise table.error(f"says {said}, expected exactly one of image, recipe and find")
    kind, needed = named[0], "it says which disc is meant"
    if kind is SourceKind.FIND:
        return DiscSource(kind, table.text(kind, needed=needed).strip())
    return DiscSource(kind, table.path_text(kind, folder, needed=needed))


def in_order_of_use(discs: list[PlanDisc]) -> tuple[PlanDisc, ...]:
    """Return the discs in the plan's order, each moved after those that it names in ``after``.

    Raises :class:`SessionPlanError` for a name that no disc or more than one
    has, and for discs that wait for each other.
    """
    before = {disc.number: {_named(text, disc, discs) for text in disc.after} for disc in discs}
    waiting = list(discs)
    ordered: list[PlanDisc] = []
    while waiting:
        done = {disc.number for disc in ordered}
        ready = next((disc for disc in waiting if before[disc.number] <= done), None)
        if ready is None:
            raise SessionPlanError(
                "discs wait for each other: "
                + "; ".join(
                    f"disc {d.number} after {', '.join(d.after)}" for d in waiting if d.after
                )
                + "; remove one `after`"
            )
        ordered.append(ready)
        waiting.remove(ready)
    places = {disc.number: position for position, disc in enumerate(ordered, start=1)}
    return tuple(
        replace(
            disc,
            position=places[disc.number],
            after_positions=tuple(sorted(places[number] for number in before[disc.number])),
        )
        for disc in ordered
    )


def _named(text: str, disc: PlanDisc, discs: list[PlanDisc]) -> int:
    numbers = [other.number for other in discs if text == other.name and text]
    numbers = numbers or [other.number for other in discs if text == other.source.text]
    if len(numbers) == 1:
        return numbers[0]
    known = [*(d.name for d in discs if d.name), *(d.source.text for d in discs)]
    problem = "names no disc" if not numbers else f"names {len(numbers)} discs"
    hint = did_you_mean(text, known) if not numbers else "; give one of them a name of its own"
    raise SessionPlanError(f"disc {disc.number}: after {text!r} {problem}{hint}")
