"""What became of one image that a scan read, and how its history tells it."""

from __future__ import annotations

from msgspec import Struct

from mediashelf.catalogue.history import Happening, forget_missed, keep
from mediashelf.catalogue.scanning.scan_plan import Event
from mediashelf.catalogue.scanning.values import Reading
from mediashelf.catalogue.store import Catalogue
from mediashelf.findings import Severity
from mediashelf.text import count_text


class Recorded(Struct, frozen=True):
    """What became of one reading: ``detail`` is to be said of it.

    ``origin`` names the place that the record came from, where it moved.
    """

    image_id: int
    event: Event
    detail: str = ""
    origin: str = ""


_HAPPENINGS = {
    Event.NEW: Happening.RECORDED,
    Event.COPY: Happening.RECORDED,
    Event.MOVED: Happening.MOVED,
    Event.SWAPPED: Happening.MOVED,
    Event.CHANGED: Happening.CHANGED,
    Event.ACCEPTED: Happening.ACCEPTED,
    Event.CONFIRMED: Happening.CONFIRMED,
    Event.UNREADABLE: Happening.UNREADABLE,
}


def note_event(
    catalogue: Catalogue, result: Recorded, reading: Reading, scan_begun_at: str
) -> None:
    """Add an event to the history of its image."""
    if result.origin:
        forget_missed(catalogue.db, result.image_id, scan_begun_at)
    if result.event in _HAPPENINGS:
        happening = _HAPPENINGS[result.event]
        keep(catalogue.db, result.image_id, happening, "scan", _history_words(result, reading))


def _history_words(result: Recorded, reading: Reading) -> str:
    errors = sum(finding.severity is Severity.ERROR for finding in reading.findings)
    leads = {Event.COPY: "the same bytes as ", Event.MOVED: "was ", Event.SWAPPED: "was "}
    words = [leads.get(result.event, "") + result.detail] if result.detail else []
    if errors and result.event is not Event.UNREADABLE:
        words.append(f"{count_text(errors, 'error')} inside")
    return "; ".join(words)
