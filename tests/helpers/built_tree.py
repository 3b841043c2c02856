"""A tree that becomes a disc, its plan, and what is left beside it."""

from __future__ import annotations

import random
from pathlib import Path

from mediashelf.building.planning.disc_plan import DiscPlan, plan_disc
from mediashelf.building.recipes.source_names import recipe_from_folders

MIB = 1 << 20
TREE = {
    "SETUP.EXE": b"setup" * 1000,
    "drivers/Larkspur video (rev. 3).inf": b"[Version]\r\n",
    "drivers/LARGE.BIN": random.Random(7).randbytes(2 * MIB + 1),
    "drivers/copy of setup.exe": b"setup" * 1000,
    "empty.txt": b"",
    "nothing here/": b"",
}


def planned(top: Path) -> DiscPlan:
    return plan_disc(recipe_from_folders([top], label="HARBOUR"))


def left_in(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


def vanish(path: Path) -> None:
    path.unlink()
