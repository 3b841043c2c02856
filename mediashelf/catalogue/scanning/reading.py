"""Reading one image: structure, every byte once, sectors and files with checksums of their own."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from functools import wraps
from pathlib import Path
from typing import Any

from mediashelf.catalogue.facts import pack_facts
from mediashelf.catalogue.listing import ListedEntry, count_entries, list_entries
from mediashelf.catalogue.rows import kept_number
from mediashelf.catalogue.scanning.raw_reading import RawAudits, sheets_beside
from mediashelf.catalogue.scanning.walk import SUFFIXES_BY_CONTENT
from mediashelf.catalogue.scanning.workers import WORKERS, Stopped, read_many
from mediashelf.errors import InputError
from mediashelf.findings import Finding, Severity
from mediashelf.formats.raw.judgement import SectorVerdict
from mediashelf.formats.raw.layout import HEAD_SIZE, detect_layout
from mediashelf.formats.volume import VolumeKind
from mediashelf.image import DiscImage, open_image
from mediashelf.integrity.fixity.comparing import has_changed
from mediashelf.integrity.fixity.digests import Digests, digest_file
from mediashelf.integrity.fixity.medium import is_medium_error
from mediashelf.integrity.inside.contents import ContentsReport, check_contents
from mediashelf.integrity.inside.zero_runs import check_zero_runs
from mediashelf.integrity.raw.files import read_bytes
from mediashelf.integrity.structure.damage import (
    PLAIN_SECTORS,
    Span,
    StoredSectors,
    TouchedEntry,
    count_hidden,
    damage_spans,
    entries_touched,
)
from mediashelf.integrity.structure.parts import check_structure
from mediashelf.text import count_text

__all__ = ["WORKERS", "Reading", "Stopped", "has_sheet", "read_image", "read_many"]

RAW_RULE = "raw-sectors"
NO_VOLUME_RULE = "no-volume"

_RUNS = 5  # of unreadable sectors that are named in words


@dataclass(frozen=True, slots=True)
class Reading:
    """What one look at an image file found. Offsets in findings count in the file.

    ``digests`` is None where the bytes could not be read. ``volumes`` are kind and
    label of each; ``listing`` and ``packed_facts`` are what a catalogue records.
    ``stored`` says how the file stores sectors; ``sectors`` counts the verdicts on
    them, where they carry what tells, and is None where they were not judged.
    ``inside`` are findings about files inside with checksums of their own, and
    ``inside_report`` says what was verified of them; it is None where they were
    not checked. ``touched`` are the entries that an error touches; where there
    are any, ``entry_count`` counts all. ``problem`` says why the file could not be
    read whole, and ``unreadable`` are the bytes that the medium did not give.
    ``is_changing`` is True when size or date were not the same before
    and after; then nothing else of it may be relied on.
    """

    size: int = 0
    mtime_ns: int = 0
    is_sheet: bool = False
    digests: Digests | None = None
    structure_read: bool = False
    looks_raw: bool = False
    stored: StoredSectors = PLAIN_SECTORS
    volumes: tuple[tuple[VolumeKind, str], ...] = ()
    findings: tuple[Finding, ...] = ()
    sectors: dict[SectorVerdict, int] | None = None
    inside: tuple[Finding, ...] = ()
    inside_report: ContentsReport | None = None
    touched: tuple[TouchedEntry, ...] = ()
    entry_count: int = 0
    problem: str = ""
    unreadable: tuple[Span, ...] = ()
    is_missing: bool = False
    is_changing: bool = False
    listing: tuple[ListedEntry, ...] = ()
    packed_facts: bytes = b""

    def without_listing(self) -> Reading:
        """Return the same without what grows with the number of entries."""
        return replace(self, listing=(), packed_facts=b"")


def read_image(
    path: Path,
    *,
    is_sheet: bool = False,
    algorithms: Iterable[str] = ("xxh3_128",),
    files_inside: bool = False,
    past_cache: bool = False,
    to_record: bool = True,
    raw_audits: RawAudits | None = None,
    on_bytes: Callable[[int], None] = lambda count: None,
) -> Reading:
    """Read an image file: structure first, then every byte; nothing is raised for its faults.

    With ``files_inside=True`` the checksums of files inside are verified as well.
    What only a catalogue needs is left out unless the image is ``to_record``.
    ``raw_audits`` are those of the run. A cue sheet has no structure of a disc; it
    answers for the sectors of all files that it names.
    """
    try:
        before = path.stat()
    except (FileNotFoundError, NotADirectoryError):
        return Reading(is_sheet=is_sheet, is_missing=True)
    except OSError as error:
        return Reading(is_sheet=is_sheet, problem=f"cannot be opened: {error.strerror or error}")
    audits = raw_audits or RawAudits()
    reading = Reading(before.st_size, kept_number(before.st_mtime_ns), is_sheet)
    unreadable: list[Span] = []
    try:
        with _opened(path, is_sheet) as (image, findings):
            reading = replace(reading, findings=findings)
            if image is not None:
                reading = _with_structure(reading, image, to_record)
            digests = digest_file(
                path,
                algorithms=algorithms,
                past_cache=past_cache,
                on_bytes=on_bytes,
                unreadable=unreadable,
            )
            reading = replace(reading, digests=digests, unreadable=tuple(unreadable))
            reading = _with_sectors(reading, path, audits, on_bytes)
            if files_inside and image is not None:
                reading = _with_files_inside(reading, image, on_bytes)
            if image is not None:
                reading = _with_touched(reading, image)
    except InputError as error:
        reading = replace(reading, problem=str(error).removeprefix(f"{path}: "))
    except OSError as error:
        reading = replace(reading, problem=f"cannot be read: {error.strerror or error}")
    has_grown = reading.digests is not None and reading.digests.size != before.st_size
    if has_grown or has_changed(path, before):
        return replace(reading, is_changing=True)
    return _without_gaps(reading) if reading.unreadable else reading


def _without_gaps(reading: Reading) -> Reading:
    """Say what the medium did not give; digests with zeros instead of it are of no use."""
    if reading.structure_read:
        runs = [reading.stored.lbas(span) for span in reading.unreadable]
        unit, place = "sector", "LBA"
    else:  # how long its sectors are is not known
        runs = [(span.offset, sum(span) - 1) for span in reading.unreadable]
        unit, place = "byte", "bytes"
    count = sum(last - first + 1 for first, last in runs)
    shown = ", ".join(
        f"{first:,}" if first == last else f"{first:,} to {last:,}" for first, last in runs[:_RUNS]
    )
    more = f" and {count_text(len(runs) - _RUNS, 'more run')}" if len(runs) > _RUNS else ""
    problem = (
        f"{count_text(count, unit)} cannot be read here ({place} {shown}{more}); all others were "
        "read"
    )
    return replace(reading, digests=None, problem=reading.problem or problem)


def _one_of_hundreds(step: Callable[..., Reading]) -> Callable[..., Reading]:
    """Let a fault of ours at one image become a finding: it must not end the work on the others."""

    @wraps(step)
    def guarded(reading: Reading, *arguments: Any) -> Reading:
        try:
            return step(reading, *arguments)
        except (InputError, OSError) as error:
            if not is_medium_error(error):
                raise
            return replace(reading, findings=(*reading.findings, _not_given(error)))
        except Stopped:
            raise
        except Exception as error:  # noqa: BLE001
            return replace(reading, findings=(*reading.findings, _our_fault(error)))

    return guarded


@contextmanager
def _opened(path: Path, is_sheet: bool) -> Iterator[tuple[DiscImage | None, tuple[Finding, ...]]]:
    """Open an image; None stands for a sheet, and for one that we fail at."""
    image, fault = None, None
    try:
        image = None if is_sheet else open_image(path)
    except (InputError, OSError) as error:
        if not is_medium_error(error):
            raise
        fault = _not_given(error)
    except Exception as error:  # noqa: BLE001
        fault = _our_fault(error)
    if image is None:
        yield None, (fault,) if fault is not None else ()
        return
    with image:
        yield image, image.findings


@_one_of_hundreds
def _with_structure(reading: Reading, image: DiscImage, to_record: bool) -> Reading:
    facts, path = image.facts, image.path
    stored = _stored_sectors(path) if facts.looks_raw else PLAIN_SECTORS
    findings = (*image.findings, *check_structure(image))
    return replace(
        reading,
        structure_read=True,
        looks_raw=facts.looks_raw,
        stored=stored,
        volumes=tuple((volume.kind, volume.label) for volume in facts.volumes),
        findings=tuple(_as_kept(_in_file(each, stored), path) for each in findings),
        listing=tuple(list_entries(facts)) if to_record else (),
        packed_facts=pack_facts(facts) if to_record else b"",
    )


def _stored_sectors(path: Path) -> StoredSectors:
    layout = detect_layout(read_bytes(path, 0, HEAD_SIZE))
    return PLAIN_SECTORS if layout is None else StoredSectors(layout.size, layout.user_offset)


def _in_file(finding: Finding, stored: StoredSectors) -> Finding:
    """Let a finding of a raw image count in the file, as damage does."""
    if finding.offset is None:
        return finding
    span = stored.in_file(Span(finding.offset, finding.length or 0))
    return replace(finding, offset=span.offset, length=finding.length and span.length)


@_one_of_hundreds
def _with_sectors(
    reading: Reading, path: Path, audits: RawAudits, on_bytes: Callable[[int], None]
) -> Reading:
    """Judge raw sectors; their bytes count once, with the digests."""

    def go_on(count: int) -> None:
        on_bytes(0)

    read = None
    if reading.is_sheet:
        read = audits.read_sheet(path, go_on)
        reading = replace(reading, touched=read.touched, entry_count=read.entry_count)
    elif reading.looks_raw or has_sheet(path):
        read = audits.read_file(path, reading.looks_raw, go_on)
    if read is None:
        return reading
    return replace(reading, findings=(*reading.findings, *read.findings), sectors=read.counts)


@_one_of_hundreds
def _with_files_inside(
    reading: Reading, image: DiscImage, on_bytes: Callable[[int], None]
) -> Reading:
    report = ContentsReport()
    found = [
        *check_contents(image, report=report, on_bytes=on_bytes),
        *check_zero_runs(image, on_bytes=lambda count: on_bytes(0)),
    ]
    inside = tuple(_in_file(finding, reading.stored) for finding in found)
    return replace(reading, inside=inside, inside_report=report)


@_one_of_hundreds
def _with_touched(reading: Reading, image: DiscImage) -> Reading:
    wrong = [
        each.span
        for each in damage_spans((*reading.findings, *reading.inside))
        if each.severity is Severity.ERROR
    ]
    wrong += reading.unreadable
    if not wrong:
        return reading
    touched = entries_touched(image.facts, wrong, reading.stored)
    count = count_entries(list_entries(image.facts)) + count_hidden(touched)
    return replace(reading, touched=touched, entry_count=count)


def _not_given(error: Exception) -> Finding:
    reason = error.__cause__ if isinstance(error, InputError) else error
    return Finding(
        "structure-is-readable",
        Severity.ERROR,
        "image",
        f"a part of it was not checked: {getattr(reason, 'strerror', None) or reason}",
        remedy="copy what can be read to another disk first",
    )


def _our_fault(error: Exception) -> Finding:
    return Finding(
        "structure-understood",
        Severity.ERROR,
        "image",
        f"internal error on this image ({type(error).__name__}: {error})",
        remedy="please report this with the image's first 64 KiB; what else was read is recorded",
    )


def _as_kept(finding: Finding, path: Path) -> Finding:
    """Raw sectors are an error for whoever serves an image, and none for who keeps one.

    Nor is an image of sound alone, which has no volume, if its sheet is there.
    """
    if finding.rule == RAW_RULE or (finding.rule == NO_VOLUME_RULE and has_sheet(path)):
        return replace(finding, severity=Severity.NOTE)
    return finding


def has_sheet(path: Path) -> bool:
    """Tell whether a cue sheet of the same name is beside an image that is not a sheet itself."""
    return path.suffix.lower() in SUFFIXES_BY_CONTENT and bool(sheets_beside(path))
