"""What was noted at the bench about a device, whichever disc its driver came from."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from mediashelf.catalogue.bench.session_reading import sessions
from mediashelf.catalogue.bench.session_rows import SessionDisc, SessionNote, in_force
from mediashelf.catalogue.rows import ImageRow
from mediashelf.catalogue.store import Catalogue
from mediashelf.drivers.coverage import DeviceCover
from mediashelf.drivers.findings import device_title


class DeviceNote(NamedTuple):
    """One note that holds: of which session and disc, and what it says.

    ``is_of_image`` tells that the disc is the very image that holds the best package.
    """

    session: str
    disc: str
    note: SessionNote
    is_of_image: bool = False

    @property
    def words(self) -> str:
        """The note in one line."""
        disc = "this image" if self.is_of_image else f"disc {self.disc}"
        return f"{self.note.noted_at[:10]} {disc}, session {self.session}: {self.note.sentence}"


class BenchNotes:
    """All notes about devices; read once for a whole machine."""

    def __init__(self, catalogue: Catalogue) -> None:
        self._notes = [
            (session.name, disc, note)
            for session in sessions(catalogue)
            for disc in (*session.steps, *session.former)
            for note in in_force(disc.notes)
            if note.device
        ]

    def about(
        self, cover: DeviceCover, target: str, images: Sequence[ImageRow]
    ) -> list[DeviceNote]:
        """Return what was noted of a device on one system; ``images`` hold its best package."""
        if not self._notes:
            return []
        names = _names(cover)
        digests = {digest for row in images for digest in row.digests.values()}
        return [
            DeviceNote(session, disc.name, note, _has(disc, digests))
            for session, disc, note in self._notes
            if note.device.casefold() in names and _holds(disc, note, target)
        ]


def _names(cover: DeviceCover) -> set[str]:
    """Return how people and device lists call a device."""
    device = cover.device
    names = {device.title, device.name, device_title(cover), device.main_id, *device.hardware_ids}
    if device.function is not None:
        names.add(f"{device.function.vendor:04x}:{device.function.device:04x}")
    return {name.casefold() for name in names if name}


def _holds(disc: SessionDisc, note: SessionNote, target: str) -> bool:
    return note.system == target or (not note.system and target in disc.systems)


def _has(disc: SessionDisc, digests: set[str]) -> bool:
    return bool({disc.xxh3_128, disc.sha256} & digests)
