"""What one look at an image file found."""

from __future__ import annotations

from typing import TYPE_CHECKING

from msgspec import Struct, field
from msgspec.structs import replace

from mediashelf.catalogue.packages.looked_into import PackagesSeen
from mediashelf.catalogue.records.inside import BytesInside
from mediashelf.catalogue.records.listed_entries import ListedEntries
from mediashelf.findings import Finding
from mediashelf.formats.volume import VolumeKind
from mediashelf.integrity.fixity.digests import Digests
from mediashelf.integrity.structure.damage import PLAIN_SECTORS, Span, StoredSectors, TouchedEntry

if TYPE_CHECKING:  # most images have no raw sectors, and few readings look inside files
    from mediashelf.formats.raw.verdicts import SectorVerdict
    from mediashelf.integrity.inside.contents import ContentsReport
from mediashelf.formats.disc_summary import DiscSummary


class Reading(Struct, frozen=True):
    """What one look at an image file found. Offsets in findings count in the file.

    ``digests`` is None where the bytes could not be read. ``volumes`` are kind and
    label of each; ``listing``, ``packed_facts``, ``summary``, ``bytes_inside``, ``readable``, the
    answers of targets, and ``packages``, where they were looked for, are what a catalogue
    records. ``stored`` says how the file stores the sectors of a disc, if it
    ``has_sectors``; ``sectors`` counts the verdicts on
    them, where they carry what tells, and is None where they were not judged.
    ``inside`` are findings about files inside with checksums of their own, and
    ``inside_report`` says what was verified of them; it is None where they were
    not checked. ``touched`` are the entries that an error touches; where there
    are any, ``entry_count`` counts all. ``problem`` says why the file could not be
    read whole, ``is_refused`` that the right to read it is missing; ``unreadable`` are the
    bytes that the medium did not give, and ``around`` the digests with zeros for these.
    ``is_changing`` is True when size or date were not the same before and after; then
    nothing else of it may be relied on.
    """

    size: int = 0
    mtime_ns: int = 0
    is_sheet: bool = False
    digests: Digests | None = None
    structure_read: bool = False
    looks_raw: bool = False
    stored: StoredSectors = PLAIN_SECTORS
    has_sectors: bool = True
    volumes: tuple[tuple[VolumeKind, str], ...] = ()
    findings: tuple[Finding, ...] = ()
    sectors: dict[SectorVerdict, int] | None = None
    inside: tuple[Finding, ...] = ()
    inside_report: ContentsReport | None = None
    touched: tuple[TouchedEntry, ...] = ()
    entry_count: int = 0
    problem: str = ""
    is_refused: bool = False
    unreadable: tuple[Span, ...] = ()
    around: Digests | None = None
    is_missing: bool = False
    is_changing: bool = False
    listing: ListedEntries = field(default_factory=ListedEntries)
    packed_facts: bytes = b""
    summary: DiscSummary | None = None
    bytes_inside: tuple[BytesInside, ...] = ()
    readable: tuple[tuple[str, str, int], ...] = ()
    packages: PackagesSeen | None = None

    @property
    def is_unread(self) -> bool:
        """Whether the file could not be read whole, or was written meanwhile."""
        return bool(self.problem) or self.is_changing or self.digests is None

    @property
    def key_digest(self) -> str:
        """The digest that the image is known by, or nothing where there is none."""
        if self.is_unread or self.digests is None or not self.size:
            return ""  # empty files are all alike; that makes none of them a copy
        return next(iter(self.digests.whole.values()))

    def without_listing(self) -> Reading:
        """Return the same without what grows with the number of entries."""
        return replace(
            self,
            listing=ListedEntries(),
            packed_facts=b"",
            summary=None,
            bytes_inside=(),
            packages=None,
        )
