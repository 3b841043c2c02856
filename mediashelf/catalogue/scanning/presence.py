"""Is an image that was not found gone, or is its disk away?

A disk that is unplugged leaves either no folder, or an empty one on the file
system below. So the file system that holds an image's folder is kept with the
image. When the image is not found, the nearest folder that exists is asked for
its file system: the same one means the file is missing; another means that its
disk, card or share is away.

A file system is known by its UUID where Linux lists it, in Windows by its volume's serial
number, and by its device number elsewhere. Numbers of devices change when a disk is
plugged in again; as soon as one image is found unchanged under a new number, the new
number stands for the old one.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Iterable
from pathlib import Path

from mediashelf.catalogue.rows import Presence
from mediashelf.system import real_path

_UUIDS = Path("/dev/disk/by-uuid")


class FileSystems:
    """Names the file systems of folders; asks the system once for each folder."""

    def __init__(self) -> None:
        self._uuids = _uuids_by_device()
        self._names: dict[str, str] = {}

    def of(self, folder: str) -> str:
        """Return the name of the file system that holds this folder, or an empty text."""
        name = self._names.get(folder)
        if name is None:
            try:
                device = os.stat(folder).st_dev  # noqa: PTH116  # called once a folder
            except OSError:
                device = None
            name = "" if device is None else self._uuids.get(device) or _device_name(device)
            self._names[folder] = name
        return name

    def of_link(self, path: str) -> str:
        """Return the name of the file system that holds what a link leads to."""
        return self.nearest(real_path(path))

    def nearest(self, path: str) -> str:
        """Return the file system of the nearest folder above ``path`` that exists."""
        return next((name for name in map(self.of, map(str, Path(path).parents)) if name), "")


def is_certain(name: str) -> bool:
    """Tell whether a file system keeps this name wherever it is plugged in."""
    return name.startswith(("uuid ", "serial "))


def _device_name(device: int) -> str:
    # CPython has the serial number there; since 3.12 with more bits where NTFS gives them.
    serial = device & 0xFFFF_FFFF
    if sys.platform == "win32" and serial:
        return f"serial {serial >> 16:04X}-{serial & 0xFFFF:04X}"
    return f"device {device}"


def _uuids_by_device() -> dict[int, str]:
    uuids = {}
    try:
        links = sorted(_UUIDS.iterdir())
    except OSError:
        return {}
    for link in links:
        try:
            uuids[link.stat().st_rdev] = f"uuid {link.name}"
        except OSError:
            continue
    return uuids


class Absences:
    """Judges absent images of one shelf, once its walk is done."""

    def __init__(
        self, root: Path, file_systems: FileSystems, found: Iterable[tuple[str, str]]
    ) -> None:
        """``found`` pairs, for images found unchanged, the file system on record and of now."""
        self._root = root
        self._file_systems = file_systems
        self._same = set(found)

    def judge(self, path: str, file_system: str) -> tuple[Presence, str]:
        """Say where an image is that was not found, and which file system to keep with it.

        ``file_system`` is the one on record.
        """
        now = self._file_systems.nearest(real_path(self._root / path))
        if now == file_system or (file_system, now) in self._same:
            return Presence.MISSING, now
        return Presence.AWAY, file_system
