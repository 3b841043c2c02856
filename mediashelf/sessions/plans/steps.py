"""What there is to do at the bench beside the discs, and the partitions to make.

::

    [[step]]                         # in order; before or after a disc, else first of all
    do = "Restart, and leave the disc in the drive"
    system = "win9x"
    after = "library/system.iso"
    machine = "Kiosk PC, 1999"       # where a plan is for several machines, and only this one
    partitions = [{ system = "win9x", filesystem = "fat32", size = "2GB", disk = 2 }]
"""

from __future__ import annotations

import re

from msgspec import Struct

from mediashelf.tables.table import Table

STEP_KEYS = ("do", "system", "machine", "before", "after", "partitions")
_PARTITION_KEYS = ("system", "filesystem", "size", "disk", "note")
_MOST_DISKS = 99


class PlannedPartition(Struct, frozen=True):
    """One partition to make; all is as written, empty where nothing is said.

    ``size_bytes`` is its size, None where it takes the rest. ``disk`` counts the
    machine's disks from 1, the one that the plan's ``disk`` is about.
    """

    system: str
    filesystem: str
    size: str
    note: str
    size_bytes: int | None = None
    disk: int = 1

    @property
    def words(self) -> str:
        """All of it in one line; the disk only where it is not the first."""
        disk = f"disk {self.disk}" if self.disk > 1 else ""
        said = (self.system, self.filesystem, self.size, disk, self.note)
        return ", ".join(word for word in said if word)

    @property
    def kind(self) -> str:
        """The file system in small letters, without spaces and dashes."""
        return re.sub(r"[\s_-]", "", self.filesystem).casefold()


class PlanStep(Struct, frozen=True):
    """Something to do beside the discs; ``before`` and ``after`` name a disc as a plan does.

    ``position`` is that disc's place in the order of use, 0 for a step before all discs,
    and ``is_before`` tells on which side of it. ``system`` is empty for every system,
    ``machine`` for every machine of the plan.
    """

    do: str
    system: str = ""
    machine: str = ""
    before: str = ""
    after: str = ""
    partitions: tuple[PlannedPartition, ...] = ()
    position: int = 0

    @property
    def is_before(self) -> bool:
        """Whether the step comes before the disc at ``position``."""
        return not self.after

    @property
    def has_disks(self) -> bool:
        """Whether its partitions are on more than the first disk."""
        return any(one.disk > 1 for one in self.partitions)


def read_step(table: Table) -> PlanStep:
    """Return one step; which disc it names is found later."""
    step = PlanStep(
        do=table.text("do", needed="it says what to do").strip(),
        system=table.text("system").strip(),
        machine=table.text("machine").strip(),
        before=table.text("before").strip(),
        after=table.text("after").strip(),
        partitions=tuple(_partition(one) for one in table.tables("partitions", _PARTITION_KEYS)),
    )
    if step.before and step.after:
        raise table.error("says before and after, expected one of them")
    return step


def _partition(table: Table) -> PlannedPartition:
    size = table.size("size")
    return PlannedPartition(
        system=table.text("system").strip(),
        filesystem=table.text("filesystem", needed="it says how to format it").strip(),
        size=str(table.value("size")) if size else "the rest",
        note=table.text("note").strip(),
        size_bytes=size,
        disk=table.number("disk", 1, _MOST_DISKS) or 1,
    )
