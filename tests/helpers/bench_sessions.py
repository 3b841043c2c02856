"""Made sessions: what a card holds, as values, without a card."""

from __future__ import annotations

import hashlib
from pathlib import Path

from msgspec.structs import replace

from mediashelf.catalogue.bench.session_rows import PreparedSession, SessionDisc

CARD = Path("/media/card")
FRIDAY = "2026-11-27T18:00:00Z"
SATURDAY = "2026-11-28T09:00:00Z"


def disc(position: int, label: str, content: str = "", **more: object) -> SessionDisc:
    """A disc whose bytes follow from ``content``, by default from its label."""
    digest = hashlib.sha256((content or label).encode()).hexdigest()
    made = SessionDisc(
        position=position,
        code=f"K{position + 1}C",
        path=f"{position:02}-K{position + 1}C-{label.replace('_', '-')}.iso",
        label=label,
        purpose="",
        targets=("win9x",),
        size=2048 * 1000,
        xxh3_128=digest[:32],
        sha256=digest,
    )
    return replace(made, **more)  # type: ignore[arg-type]  # the tests' own spelling errors show


def kiosk(*discs: SessionDisc, card: Path = CARD, made_at: str = FRIDAY) -> PreparedSession:
    """The kiosk's session, with three discs unless others are given."""
    return PreparedSession("Tide-table kiosk", "Kiosk PC, 1999", card, made_at, discs or DISCS)


DISCS = (
    disc(1, "KIOSK_SYSTEM", purpose="Install the system"),
    disc(2, "KIOSKDRV", purpose="Drivers for video and audio", targets=("dos", "win9x")),
    disc(3, "SLIDES", purpose="Slides for the exhibition"),
)
