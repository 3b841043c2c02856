"""One disc of a plan: where it comes from, and its place in the order of use."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import cast, get_args

from msgspec import Struct
from msgspec.structs import replace

from mediashelf.errors import SessionPlanError
from mediashelf.sessions.emulator import Presentation
from mediashelf.tables.table import Table
from mediashelf.text import did_you_mean

MAX_TRACKS = 99
"""ECMA-130 22.3.3.1: track numbers have two digits."""


class SourceKind(StrEnum):
    """How a plan names a disc; the words are the plan's keys."""

    IMAGE = "image"
    RECIPE = "recipe"
    FLOPPY = "floppy"
    FIND = "find"

    @property
    def is_built(self) -> bool:
        """Whether the disc is built for the card, and is not an image yet."""
        return self in (SourceKind.RECIPE, SourceKind.FLOPPY)


_SOURCE_KEYS = tuple(kind.value for kind in SourceKind)
DISC_KEYS = (
    *_SOURCE_KEYS, "targets", "name", "purpose", "expect", "after", "or", "pad", "track",
    "erases", "presentation",
)  # fmt: skip


class DiscSource(Struct, frozen=True):
    """Where a disc comes from; ``text`` is just as written: a path, or words to find."""

    kind: SourceKind
    text: str

    def __str__(self) -> str:
        return f"{self.kind} {self.text!r}"


class PlanDisc(Struct, frozen=True):
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


def parse_disc(table: Table, number: int, plan_targets: tuple[str, ...], folder: Path) -> PlanDisc:
    """Return one disc; its place in the order of use is found later."""
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
        raise table.error(f"says {said}, expected exactly one of image, recipe, floppy and find")
    kind, needed = named[0], "it says which disc is meant"
    if kind is SourceKind.FIND:
        return DiscSource(kind, table.text(kind, needed=needed).strip())
    return DiscSource(kind, table.path_text(kind, folder, needed=needed))


def in_order_of_use(discs: list[PlanDisc]) -> tuple[PlanDisc, ...]:
    """Return the discs in the plan's order, each moved after those that it names in ``after``.

    Raises :class:`SessionPlanError` for a name that no disc or more than one
    has, and for discs that wait for each other.
    """
    before = {
        disc.number: {disc_number(text, f"disc {disc.number}: after", discs) for text in disc.after}
        for disc in discs
    }
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


def disc_number(text: str, place: str, discs: list[PlanDisc]) -> int:
    """Return the number of the disc that a text names; ``place`` begins the error."""
    numbers = [other.number for other in discs if text == other.name and text]
    numbers = numbers or [other.number for other in discs if text == other.source.text]
    if len(numbers) == 1:
        return numbers[0]
    known = [*(d.name for d in discs if d.name), *(d.source.text for d in discs)]
    problem = "names no disc" if not numbers else f"names {len(numbers)} discs"
    hint = did_you_mean(text, known) if not numbers else "; give one of them a name of its own"
    raise SessionPlanError(f"{place} {text!r} {problem}{hint}")
