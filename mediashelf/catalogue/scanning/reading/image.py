"""Reading one image: structure, every byte once, sectors and files with checksums of their own."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from pathlib import Path

from msgspec.structs import replace

from mediashelf.catalogue.listing import list_entries
from mediashelf.catalogue.packages.looked_into import PackagesSeen
from mediashelf.catalogue.records.inside import BytesInside, digest_inside
from mediashelf.catalogue.rows import kept_number
from mediashelf.catalogue.scanning.image_names import SUFFIXES_BY_CONTENT
from mediashelf.catalogue.scanning.reading.faults import NOT_OPENED_RULE, one_of_hundreds, opened
from mediashelf.catalogue.scanning.reading.raw_sectors import (
    RawAudits,
    in_file,
    sheets_beside,
    stored_sectors,
)
from mediashelf.catalogue.scanning.values import Reading
from mediashelf.errors import InputError
from mediashelf.findings import Finding, Severity
from mediashelf.formats.volume import DiscFacts
from mediashelf.image import DiscImage
from mediashelf.integrity.fixity.ahead import BegunDigests
from mediashelf.integrity.fixity.medium import is_refused
from mediashelf.integrity.fixity.reading import digest_file, has_changed
from mediashelf.integrity.structure.damage import (
    PLAIN_SECTORS,
    Span,
    count_hidden,
    damage_spans,
    entries_touched,
)
from mediashelf.integrity.structure.parts import check_structure
from mediashelf.text import count_text, first_text
from mediashelf.trees.as_image import WrappedImage, without_place

RAW_RULE = "raw-sectors"
NO_VOLUME_RULE = "no-volume"

LookForPackages = Callable[[DiscImage], PackagesSeen | None]

_RUNS = 5  # of unreadable sectors that are named in words


def read_image(
    path: Path,
    *,
    is_sheet: bool = False,
    algorithms: Iterable[str] = ("xxh3_128",),
    files_inside: bool = False,
    past_cache: bool = False,
    to_record: bool = True,
    digests_inside: bool = True,
    raw_audits: RawAudits | None = None,
    look_for_packages: LookForPackages | None = None,
    begun: BegunDigests | None = None,
    on_bytes: Callable[[int], None] = lambda count: None,
) -> Reading:
    """Read an image file: structure first, then every byte; nothing is raised for its faults.

    With ``files_inside=True`` the checksums of files inside are verified as well.
    What only a catalogue needs is left out unless the image is ``to_record``, and the
    digests of images inside archives unless ``digests_inside`` are asked for.
    ``raw_audits`` are those of the run, ``begun`` the digests where they are taken already. A cue
    sheet has no structure of a disc; it answers for the sectors of all files that it names.
    """
    try:
        before = path.stat() if begun is None else begun.before
    except (FileNotFoundError, NotADirectoryError):
        return Reading(is_sheet=is_sheet, is_missing=True)
    except OSError as error:
        problem = f"cannot be opened: {error.strerror or error}"
        return Reading(is_sheet=is_sheet, problem=problem, is_refused=is_refused(error))
    audits = raw_audits or RawAudits()
    reading = Reading(before.st_size, kept_number(before.st_mtime_ns), is_sheet)
    unreadable: list[Span] = []
    try:
        with opened(path, is_sheet) as (image, findings):
            is_closed = any(finding.rule == NOT_OPENED_RULE for finding in findings)
            reading = replace(reading, findings=findings, has_sectors=not is_closed)
            if image is not None:
                reading = _with_structure(reading, image, to_record, digests_inside)
            if begun is not None:
                digests, unreadable = begun.result(on_bytes), begun.unreadable
            else:
                digests = digest_file(
                    path,
                    algorithms=algorithms,
                    past_cache=past_cache,
                    on_bytes=on_bytes,
                    unreadable=unreadable,
                    at_hand=image.whole if image is not None else None,
                )
            reading = replace(reading, digests=digests, unreadable=tuple(unreadable))
            reading = _with_sectors(reading, path, audits, on_bytes)
            if files_inside and image is not None:
                # A scan does not look inside files.
                from mediashelf.catalogue.scanning.reading.files_inside import with_files_inside

                reading = with_files_inside(reading, image, on_bytes)
            if image is not None:
                reading = _with_touched(reading, image)
                if look_for_packages is not None and not isinstance(image, WrappedImage):
                    reading = replace(reading, packages=look_for_packages(image))
    except InputError as error:
        problem = str(error).removeprefix(f"{path}: ")
        reading = replace(reading, problem=problem, is_refused=is_refused(error))
    except OSError as error:
        problem = f"cannot be read: {error.strerror or error}"
        reading = replace(reading, problem=problem, is_refused=is_refused(error))
    has_grown = reading.digests is not None and reading.digests.size != before.st_size
    if has_grown or has_changed(path, before):
        return replace(reading, is_changing=True)
    return _without_gaps(reading) if reading.unreadable else reading


def _without_gaps(reading: Reading) -> Reading:
    """Say what the medium did not give; no digest of the whole with zeros instead is right."""
    if reading.structure_read:
        runs = [reading.stored.lbas(span) for span in reading.unreadable]
        unit, place = "sector", "LBA"
    else:  # how long its sectors are is not known
        runs = [(span.offset, sum(span) - 1) for span in reading.unreadable]
        unit, place = "byte", "bytes"
    count = sum(last - first + 1 for first, last in runs)
    shown = first_text(
        [f"{first:,}" if first == last else f"{first:,} to {last:,}" for first, last in runs],
        _RUNS,
        "run",
    )
    problem = (
        f"{count_text(count, unit)} cannot be read here ({place} {shown}); all others were read"
    )
    return replace(
        reading, digests=None, around=reading.digests, problem=reading.problem or problem
    )


@one_of_hundreds
def _with_structure(
    reading: Reading, image: DiscImage, to_record: bool, digests_inside: bool
) -> Reading:
    facts, path = image.facts, image.path
    stored = stored_sectors(path) if facts.looks_raw else PLAIN_SECTORS
    findings = (*image.findings, *_check_parts(image))
    reading = replace(
        reading,
        structure_read=True,
        looks_raw=facts.looks_raw,
        stored=stored,
        has_sectors=not isinstance(image, WrappedImage),
        volumes=tuple((volume.kind, volume.label) for volume in facts.volumes),
        findings=tuple(_as_kept(in_file(each, stored), path) for each in findings),
        bytes_inside=_bytes_inside(image) if digests_inside else (),
    )
    return _to_record(reading, facts) if to_record else reading


def _to_record(reading: Reading, facts: DiscFacts) -> Reading:
    """Add what only a catalogue needs; what makes that is loaded only for a scan."""
    from mediashelf.catalogue.facts import pack_facts
    from mediashelf.catalogue.readable import answers_for
    from mediashelf.readability.identity.summary import summarise

    # The answers take most memory while they are worked out, so they come first.
    return replace(
        reading,
        readable=answers_for(facts),
        summary=summarise(facts),
        listing=list_entries(facts),
        packed_facts=pack_facts(facts),
    )


def _bytes_inside(image: DiscImage) -> tuple[BytesInside, ...]:
    return tuple(digest_inside(image)) if isinstance(image, WrappedImage) else ()


def _check_parts(image: DiscImage) -> Iterator[Finding]:
    if not isinstance(image, WrappedImage):
        yield from check_structure(image)
    elif image.inner is not None:
        yield from (without_place(finding) for finding in check_structure(image.inner))


@one_of_hundreds
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
    elif reading.looks_raw or _has_sheet(path):
        read = audits.read_file(path, reading.looks_raw, go_on)
    if read is None:
        return reading
    return replace(reading, findings=(*reading.findings, *read.findings), sectors=read.counts)


@one_of_hundreds
def _with_touched(reading: Reading, image: DiscImage) -> Reading:
    if isinstance(image, WrappedImage):
        return reading  # places in the file are not those of its entries
    wrong = [
        each.span
        for each in damage_spans((*reading.findings, *reading.inside))
        if each.severity is Severity.ERROR
    ]
    wrong += reading.unreadable
    if not wrong:
        return reading
    touched = entries_touched(image.facts, wrong, reading.stored)
    count = list_entries(image.facts).count() + count_hidden(touched)
    return replace(reading, touched=touched, entry_count=count)


def _as_kept(finding: Finding, path: Path) -> Finding:
    """Raw sectors are an error for whoever serves an image, and none for who keeps one.

    Nor is an image of sound alone, which has no volume, if its sheet is there.
    """
    if finding.rule == RAW_RULE or (finding.rule == NO_VOLUME_RULE and _has_sheet(path)):
        return replace(finding, severity=Severity.NOTE)
    return finding


def _has_sheet(path: Path) -> bool:
    """Tell whether a cue sheet of the same name is beside an image that is not a sheet itself."""
    return path.suffix.lower() in SUFFIXES_BY_CONTENT and bool(sheets_beside(path))
