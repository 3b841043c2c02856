"""Which images on record fit all that was asked for."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from mediashelf.catalogue.rows import RECORDED, ImageRow, Presence
from mediashelf.catalogue.store import Catalogue
from mediashelf.findings import Severity, worst
from mediashelf.integrity.fixity.states import State


@dataclass(frozen=True, slots=True)
class Wanted:
    """What images are to have; None stands for anything. Each of the targets must read them."""

    shelf: str | None = None
    kind: str | None = None
    label: str | None = None
    state: str | None = None
    target_names: Sequence[str] = ()
    targets_folder: Path | None = None


_GOOD = frozenset({RECORDED, State.SOUND.value, State.UNRECORDED.value})


def is_wrong(row: ImageRow | None) -> bool:
    """Tell whether an image is known not to be good or not to be there; one that is away may be."""
    if row is None:
        return False
    return row.presence is Presence.MISSING or row.verdict not in _GOOD


def list_on_record(catalogue: Catalogue, wanted: Wanted) -> list[ImageRow]:
    """Return the images by shelf and path; none is opened.

    With targets only those that each of them can read, that the emulator serves whole,
    and that are not known to be wrong, unless their state is asked for.
    """
    rows = catalogue.images(
        shelf=wanted.shelf, kind=wanted.kind, label=wanted.label, state=wanted.state
    )
    if not wanted.target_names:
        return rows
    # Loaded only where a target is asked for: its rules take longer than most answers.
    from mediashelf.catalogue.readable import readable_by
    from mediashelf.readability.targets import load_targets, pick_targets
    from mediashelf.sessions.emulator import check_lun

    targets = pick_targets(wanted.target_names, load_targets(wanted.targets_folder))
    if wanted.state is None:
        rows = [row for row in rows if not is_wrong(row)]
    served = [
        row
        for row in rows
        if worst(check_lun(row.size, looks_raw=row.looks_raw)) is not Severity.ERROR
    ]
    return readable_by(catalogue, served, targets)
