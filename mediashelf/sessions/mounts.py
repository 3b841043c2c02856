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

    Read from /proc/self/mountinfo by the number of the mount (proc(5)): the numbers of
    devices there are not those of files on btrfs, and one device can be mounted twice.
    """
    try:
        descriptor = os.open(path, os.O_PATH | os.O_CLOEXEC)
        try:
            facts = Path(f"/proc/self/fdinfo/{descriptor}").read_text("ascii").split()
        finally:
            os.close(descriptor)
        wanted = facts[facts.index("mnt_id:") + 1]
        with Path("/proc/self/mountinfo").open("rb") as lines:
            for line in map(os.fsdecode, lines):
                before, _, after = line.partition(" - ")
                fields = before.split()
                if len(fields) > 5 and fields[0] == wanted:
                    type_name, source = after.split()[:2]
                    return Mount(type_name, "ro" in fields[5].split(","), source)
    except (OSError, AttributeError, IndexError, ValueError):
        pass
    return Mount()
