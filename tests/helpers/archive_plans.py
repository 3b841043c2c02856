"""A disc planned from archives: its names, and what was found in them."""

from __future__ import annotations

import random
from pathlib import Path

from mediashelf.building.planning.disc_plan import DiscPlan, plan_disc
from mediashelf.building.recipes.recipe import Recipe, SourceFolder
from mediashelf.findings import Finding

MIB = 1 << 20
FILES = {
    "LKVX3.INF": b"[Version]\r\n",
    "data/large.bin": random.Random(3).randbytes(2 * MIB + 5),
    "data/zeros.bin": bytes(300_000),
    "data/copy.bin": bytes(300_000),
    "data/empty.txt": b"",
    "empty/": b"",
}


def planned(*sources: Path, **options: object) -> DiscPlan:
    folders = tuple(SourceFolder(path, **options) for path in sources)  # type: ignore[arg-type]
    return plan_disc(Recipe("Z", folders, index=False))


def paths(plan: DiscPlan) -> list[str]:
    return [file.long_path for file in plan.files]


def found(plan: DiscPlan, rule: str) -> list[Finding]:
    return [finding for finding in plan.findings if finding.rule == rule]
