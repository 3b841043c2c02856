"""How the file system that holds a path is mounted, as Linux tells it."""

from __future__ import annotations

import os
from pathlib import Path
from typing import NamedTuple

_MEMORY_TYPES = ("tmpfs", "ramfs")


def lives_in_memory(path: Path) -> bool:
    """Return whether the file system that holds ``path`` is nothing but memory (Linux)."""
    return mount_of(path).type_name in _MEMORY_TYPES


def device_of(path: Path) -> str:
    """Return the device of the file system that holds ``path``, empty where nobody tells."""
    return mount_of(path).device


class Mount(NamedTuple):
    """How a file system is mounted; nothing known is empty."""

    type_name: str = ""
    is_read_only: bool = False
    device: str = ""


def mount_of(path: Path) -> Mount:
    """Return how the file system that holds ``path`` is mounted.

    Read from /proc/self/mountinfo (proc(5)), by device number.
    """
    try:
        device = path.stat().st_dev
        wanted = f"{os.major(device)}:{os.minor(device)}"
        with Path("/proc/self/mountinfo").open("rb") as lines:
            for line in map(os.fsdecode, lines):
                before, _, after = line.partition(" - ")
                fields = before.split()
                if len(fields) > 5 and fields[2] == wanted:
                    type_name, source = after.split()[:2]
                    return Mount(type_name, "ro" in fields[5].split(","), source)
    except (OSError, AttributeError, IndexError, ValueError):
        pass
    return Mount()
