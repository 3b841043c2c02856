"""Is an image a disc and a disk at once, and does the plan present it as what it is?"""

from __future__ import annotations

from collections.abc import Iterator

from mediashelf.findings import Finding, Severity
from mediashelf.formats.fields import View
from mediashelf.formats.partitions.partition_table import (
    HEAD_SIZE,
    PartitionTable,
    detect_partition_table,
)
from mediashelf.sessions.emulator import Presentation


def find_partition_table(view: View) -> PartitionTable | None:
    """Return the partition table of an image of 2048-byte sectors, None where there is none."""
    return detect_partition_table(view.read(0, HEAD_SIZE), view.size)


def check_hybrid(
    table: PartitionTable | None, where: str, presentation: Presentation = "optical"
) -> Iterator[Finding]:
    """Yield whether the image can be served as a disk, and whether that is wanted in vain."""
    if table is not None and presentation == "optical":
        yield Finding(
            "image-is-hybrid",
            Severity.NOTE,
            where,
            f"the image has a partition table ({table.kind}) before its volume, so it can also be "
            "served as a read-only USB disk",
            'nothing, unless the machine starts from USB disks only: presentation = "disk" in a '
            "plan",
            "ECMA-119 6.2.1 for the room; the layout of the table is from memory",
            found=table.kind,
        )
    if table is None and presentation == "disk":
        yield Finding(
            "disk-has-partition-table",
            Severity.ERROR,
            where,
            "the plan presents the image as a disk, and it has no partition table: the machine "
            "would see an empty disk",
            'remove presentation = "disk" from the plan, or use a hybrid image',
            "own behaviour",
        )
