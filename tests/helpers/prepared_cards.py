"""The names that the workshop's discs have on a card, and what a check of that card says."""

from __future__ import annotations

from mediashelf.findings import Finding
from mediashelf.sessions.cards.confirm import check_card
from mediashelf.sessions.manifests.manifest import read_manifest
from session_bench import Bench

SYSTEM, DRIVERS, SLIDES = "01-K4E-KIOSK-SYSTEM.iso", "02-X2C-KIOSKDRV.iso", "03-Y7H-SLIDES.iso"


def check(bench: Bench) -> list[Finding]:
    return list(check_card(read_manifest(bench.card / "manifest.json"), bench.card))
