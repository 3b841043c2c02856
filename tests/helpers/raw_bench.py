"""A raw disc in the workshop for sessions, and what is asked of the card it ends up on."""

from __future__ import annotations

from collections.abc import Callable

from make_raw import mode_1_image
from mediashelf.sessions.cards.confirm import check_card
from mediashelf.sessions.manifests.disc import ManifestDisc
from mediashelf.sessions.manifests.values import Manifest
from session_bench import Bench

SHEET = 'FILE "sounds.bin" BINARY\n  TRACK 01 MODE1/2352\n    INDEX 01 00:00:00\n'
RAW_DISC = 'image = "library/sounds.cue"'


def put_raw(bench: Bench, data: bytes, change: Callable[[bytes], bytes] = bytes) -> bytes:
    """Put a raw image and its sheet into the library; return the raw bytes."""
    raw = change(mode_1_image(data))
    (bench.folder / "library" / "sounds.bin").write_bytes(raw)
    (bench.folder / "library" / "sounds.cue").write_text(SHEET)
    return raw


def only_disc(manifest: Manifest) -> ManifestDisc:
    (disc,) = manifest.discs
    return disc


def rules(disc: ManifestDisc) -> dict[str, str]:
    return {row.rule: row.severity for row in disc.open_findings}


def assert_card_is_right(bench: Bench, manifest: Manifest) -> None:
    assert list(check_card(manifest, bench.card)) == []
    assert not list(bench.card.glob(".*"))
