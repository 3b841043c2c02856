"""Which images on record fit all that was asked for."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from mediashelf.catalogue.rows import ImageRow
from mediashelf.catalogue.store import Catalogue


@dataclass(frozen=True, slots=True)
class Wanted:
    """What images are to have; None stands for anything. Each of the targets must read them."""

    shelf: str | None = None
    kind: str | None = None
    label: str | None = None
    state: str | None = None
    target_names: Sequence[str] = ()
    targets_folder: Path | None = None


def list_on_record(catalogue: Catalogue, wanted: Wanted) -> list[ImageRow]:
    """Return the images by shelf and path; none is opened."""
    rows = catalogue.images(
        shelf=wanted.shelf, kind=wanted.kind, label=wanted.label, state=wanted.state
    )
    if not wanted.target_names:
        return rows
    # Loaded only where a target is asked for: its rules take longer than most answers.
    from mediashelf.catalogue.readable import readable_by
    from mediashelf.readability.targets import load_targets, pick_targets

    targets = pick_targets(wanted.target_names, load_targets(wanted.targets_folder))
    return readable_by(catalogue, rows, targets)
