"""Is a card what its manifest says?"""

from __future__ import annotations

from pathlib import Path

from msgspec import Struct

from mediashelf.findings import Finding, Severity
from mediashelf.jobs.progress import Progress, no_progress
from mediashelf.sessions.cards.confirm import check_card
from mediashelf.sessions.manifests.disc import ManifestDisc
from mediashelf.sessions.manifests.manifest import read_manifest
from mediashelf.sessions.manifests.sense import MANIFEST_NAME
from mediashelf.sessions.manifests.values import Manifest


class ExaminedCard(Struct, frozen=True):
    """A card beside its manifest; without ``contents_read`` only sizes were compared."""

    path: Path
    manifest: Manifest
    findings: tuple[Finding, ...]
    contents_read: bool

    def agrees(self, disc: ManifestDisc) -> bool:
        """Tell whether nothing is wrong with the image of a disc."""
        return not self.errors(disc.path)

    def errors(self, path: str) -> list[str]:
        """Return the rules of what is wrong with an image."""
        return [
            finding.rule
            for finding in self.findings
            if finding.where == path and finding.severity is Severity.ERROR
        ]


def examine_card(
    path: Path, *, read_contents: bool = True, progress: Progress = no_progress
) -> ExaminedCard:
    """Compare a card, or the folder of a manifest, with it; raises what reading it raises."""
    if path.is_dir():
        path = path / MANIFEST_NAME
    manifest = read_manifest(path)
    total = sum(image.size for image in manifest.images)
    with progress("reading the card", total=total) as on_bytes:
        findings = tuple(
            check_card(manifest, path.parent, read_contents=read_contents, on_bytes=on_bytes)
        )
    return ExaminedCard(path, manifest, findings, read_contents)
