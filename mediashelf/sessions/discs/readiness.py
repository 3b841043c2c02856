"""Is the machine ready for the session? Rows of data, asked about the plan's machine and discs."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from enum import StrEnum
from functools import cache
from pathlib import Path
from typing import Any

from msgspec import Struct

from mediashelf.errors import SessionPlanError
from mediashelf.findings import Finding, Severity
from mediashelf.sessions.discs.conditions import (
    MACHINE_KEYS,
    SESSION_KEYS,
    DiscTraits,
    answers_for,
    holds,
)
from mediashelf.sessions.manifests.parts import BootWay
from mediashelf.sessions.plans.machine import PlannedMachine
from mediashelf.sessions.plans.session_plan import SessionPlan
from mediashelf.tables.reading import TableKind, read_tables
from mediashelf.tables.table import Table

ROWS_PATH = Path(__file__).with_name("readiness.toml")

_CONDITIONS = (*MACHINE_KEYS, *SESSION_KEYS)
_WORDS = ("disk_mode", "firmware", "beside", "partition_filesystem")
_ROW_KEYS = (
    "rule", "targets", "when", "severity", "message", "remedy", "source", "bring", "at_bench",
)  # fmt: skip

BRING_MARK = "; on the driver disc: "
"""Stands in a remedy between what to do and what to bring."""


class BenchPlace(StrEnum):
    """Where on the run sheet something is told that the person at the bench acts on."""

    SYSTEM = "system"
    PARTITIONS = "partitions"
    INSTALLER = "installer"


READINESS_FILE = TableKind("a file of readiness rows", ("row",), SessionPlanError)


class ReadinessRow(Struct, frozen=True):
    """One thing to know before the first disc goes in; no targets means all.

    ``bring`` is what to put on the driver disc for it, or empty; ``at_bench`` tells where
    it is on the run sheet, if the person at the bench acts on it: else it is None.
    """

    rule: str
    targets: tuple[str, ...]
    when: Mapping[str, Any]
    severity: Severity
    message: str
    remedy: str
    source: str
    bring: str = ""
    at_bench: BenchPlace | None = None

    def concerned(self, plan: SessionPlan) -> tuple[str, ...]:
        """Return the targets of the plan that the row is about."""
        return tuple(name for name in plan.systems if not self.targets or name in self.targets)


@cache
def readiness_rows() -> tuple[ReadinessRow, ...]:
    """Return the rows in the order in which a person acts on them."""
    return read_readiness(ROWS_PATH)


def read_readiness(path: Path) -> tuple[ReadinessRow, ...]:
    """Return the rows of a file; raises :class:`SessionPlanError` for what is wrong in it."""
    return read_tables(
        path, READINESS_FILE, lambda top: tuple(map(_row, top.tables("row", _ROW_KEYS)))
    )


def _row(table: Table) -> ReadinessRow:
    severity = table.choice("severity", [severity.word for severity in Severity])
    place = table.choice("at_bench", tuple(BenchPlace))
    return ReadinessRow(
        table.text("rule", needed="it names the finding"),
        table.texts("targets", "targets"),
        _when(table.table("when", _CONDITIONS)),
        Severity.from_word(severity or Severity.NOTE.word),
        table.text("message", needed="it is what people read"),
        table.text("remedy", needed="it says what to do"),
        table.text("source", needed='say where it is published, or "common practice"'),
        table.text("bring"),
        BenchPlace(place) if place else None,
    )


def _when(table: Table) -> dict[str, object]:
    when: dict[str, object] = {}
    for key in table:
        if key in ("processor_over", "processor_under"):
            when[key] = table.number(key, 1, 100_000)
        elif key == "processor_bits":
            when[key] = table.number(key, 32, 64)
        elif key.endswith(("_over", "_under")):
            when[key] = table.size(key)
        elif key in _WORDS:
            when[key] = table.texts(key, "words")
        else:
            when[key] = table.flag(key)
    return when


def check_readiness(plan: SessionPlan, discs: Sequence[DiscTraits]) -> Iterator[Finding]:
    """Yield what the machine's facts mean for each of the plan's systems, in the order of acting.

    What the plan does not say about the machine is not guessed: one note names it.
    """
    unsaid: dict[str, None] = {}
    known = {system: answers_for(plan, discs, system) for system in ("", *plan.systems)}
    for row in readiness_rows():
        concerned = row.concerned(plan)
        if not concerned:
            continue
        for system in concerned if row.targets else ("",):
            # What the plan or the discs deny needs no answer from the machine.
            answers = {
                key: holds(key, wanted, fact)
                for key, wanted in row.when.items()
                if (fact := known[system][key]) is not None
            }
            if not all(answers.values()):
                continue
            unknown = [key for key in row.when if key not in answers]
            unsaid.update(dict.fromkeys(MACHINE_KEYS[key] for key in unknown))
            if not unknown:
                yield _finding(row, system, plan.machine)
    if unsaid:
        keys = ", ".join(unsaid)
        yield Finding(
            "machine-is-described",
            Severity.NOTE,
            "[machine]",
            f"the plan does not say {keys}, so not everything that {', '.join(plan.systems)} "
            "needs from a machine "
            "was checked",
            f"say {keys} in the plan's table [machine]",
        )


def check_boot(
    position: int, ways: Sequence[BootWay], plan: SessionPlan, where: str
) -> Iterator[Finding]:
    """Yield what stands between this disc's boot catalog and the machine's firmware."""
    firmware = plan.machine.firmware
    wanted = {"uefi": "efi", "bios": "x86"}.get(firmware, "")
    platforms = sorted({way.platform for way in ways})
    if ways and wanted and wanted not in platforms:
        yield Finding(
            "boot-fits-firmware",
            Severity.WARNING,
            where,
            f"the disc boots on {', '.join(platforms)}, and the machine's firmware is {firmware}",
            "switch the firmware's mode, or start from another disc",
            "El Torito 1.0, figure 2 (platform id); 0xEF is UEFI's",
        )
    if position == 1 and not ways:
        yield Finding(
            "first-disc-boots",
            Severity.NOTE,
            where,
            "the first disc does not boot, so the machine must start from something else",
            "put the disc that starts the machine first, if it is to start from the drive",
        )


def _finding(row: ReadinessRow, system: str, machine: PlannedMachine) -> Finding:
    keys = [MACHINE_KEYS[key] for key in row.when if key in MACHINE_KEYS]
    values = {
        "memory": machine.memory_text,
        "disk": machine.disk_text,
        "disk_mode": machine.disk_mode.upper(),
        "processor": machine.processor,
    }
    return Finding(
        row.rule,
        row.severity,
        f"[machine] {', '.join(keys)}" if keys else "the machine",
        row.message.format(**values),
        f"{row.remedy}{BRING_MARK}{row.bring}" if row.bring else row.remedy,
        row.source,
        target=system,
    )
