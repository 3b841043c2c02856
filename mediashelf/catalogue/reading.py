"""Reading images: everything about one file, and many files by a few threads."""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Callable, Generator, Iterable
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TypeVar

from mediashelf.catalogue.facts import pack_facts
from mediashelf.catalogue.listing import ListedEntry, list_entries
from mediashelf.catalogue.walk import SHEET_SUFFIX, SUFFIXES_BY_CONTENT
from mediashelf.errors import InputError
from mediashelf.findings import Finding, Severity
from mediashelf.formats.volume import VolumeKind
from mediashelf.image import open_image
from mediashelf.integrity.contents import ContentsReport, check_contents
from mediashelf.integrity.digests import Digests, digest_file
from mediashelf.integrity.structure import check_structure

WORKERS = 2
"""One thread an image; two keep a disk busy, and more make a spinning one seek."""

_AHEAD = 4  # images read and not yet taken; bounds the memory that their entries fill

RAW_RULE = "raw-sectors"
NO_VOLUME_RULE = "no-volume"


@dataclass(frozen=True, slots=True)
class Reading:
    """What one look at an image file found.

    ``digests`` is None where the contents were not read. ``volumes`` are kind and
    label of each; ``listing`` and ``packed_facts`` are for the catalogue.
    ``inside`` are findings about files inside that carry their own checks, and
    ``inside_report`` says what was verified of them; it is None where they were
    not checked. ``problem`` says why the file could not be read whole.
    ``is_changing`` is True when size or date were not the same before and after;
    then nothing else of it may be relied on.
    """

    size: int = 0
    mtime_ns: int = 0
    is_sheet: bool = False
    digests: Digests | None = None
    structure_read: bool = False
    looks_raw: bool = False
    volumes: tuple[tuple[VolumeKind, str], ...] = ()
    findings: tuple[Finding, ...] = ()
    inside: tuple[Finding, ...] = ()
    inside_report: ContentsReport | None = None
    problem: str = ""
    is_missing: bool = False
    is_changing: bool = False
    listing: tuple[ListedEntry, ...] = ()
    packed_facts: bytes = b""

    def without_listing(self) -> Reading:
        """Return the same without what grows with the number of entries."""
        return replace(self, listing=(), packed_facts=b"")


class Stopped(Exception):
    """Ends the threads' work when the person stops the run; never leaves this module."""


def read_image(
    path: Path,
    *,
    is_sheet: bool = False,
    algorithms: Iterable[str] = ("xxh3_128",),
    contents: bool = True,
    files_inside: bool = False,
    past_cache: bool = False,
    on_bytes: Callable[[int], None] = lambda count: None,
) -> Reading:
    """Read an image file: structure first, then every byte once; nothing is raised for its faults.

    With ``contents=False`` only the structure is read, with ``files_inside=True``
    also what files inside say of themselves. A cue sheet has no structure of a
    disc.
    """
    try:
        before = path.stat()
    except (FileNotFoundError, NotADirectoryError):
        return Reading(is_sheet=is_sheet, is_missing=True)
    except OSError as error:
        return Reading(is_sheet=is_sheet, problem=f"cannot be looked at: {error.strerror or error}")
    reading = Reading(before.st_size, before.st_mtime_ns, is_sheet)
    try:
        if not is_sheet:
            reading = _with_structure(reading, path)
        if contents:
            digests = digest_file(
                path, algorithms=algorithms, past_cache=past_cache, on_bytes=on_bytes
            )
            reading = replace(reading, digests=digests)
        if files_inside and not is_sheet:
            reading = _with_files_inside(reading, path, on_bytes)
        after = path.stat()
    except InputError as error:
        return replace(reading, problem=str(error).removeprefix(f"{path}: "))
    except OSError as error:
        return replace(reading, problem=f"cannot be read: {error.strerror or error}")
    # Not the inode: some network and card file systems number files anew at any time.
    is_same = (before.st_size, before.st_mtime_ns) == (after.st_size, after.st_mtime_ns)
    if reading.digests is not None and reading.digests.size != before.st_size:
        is_same = False
    return reading if is_same else replace(reading, is_changing=True)


def _with_structure(reading: Reading, path: Path) -> Reading:
    try:
        with open_image(path) as image:
            facts = image.facts
            findings = (*image.findings, *check_structure(image))
        listing = tuple(list_entries(facts))
        packed = pack_facts(facts)
    except (InputError, OSError):
        raise
    except Exception as error:  # noqa: BLE001  # one image must not end the work on hundreds
        return replace(reading, findings=(_our_fault(path, error),))
    return replace(
        reading,
        structure_read=True,
        looks_raw=facts.looks_raw,
        volumes=tuple((volume.kind, volume.label) for volume in facts.volumes),
        findings=tuple(_as_kept(finding, path) for finding in findings),
        listing=listing,
        packed_facts=packed,
    )


def _with_files_inside(reading: Reading, path: Path, on_bytes: Callable[[int], None]) -> Reading:
    report = ContentsReport()
    try:
        with open_image(path) as image:
            findings = tuple(check_contents(image, report=report, on_bytes=on_bytes))
    except (InputError, OSError, Stopped):
        raise
    except Exception as error:  # noqa: BLE001  # one image must not end the work on hundreds
        return replace(reading, inside=(_our_fault(path, error),))
    return replace(reading, inside=findings, inside_report=report)


def _our_fault(path: Path, error: Exception) -> Finding:
    return Finding(
        "structure-understood",
        Severity.ERROR,
        path.name,
        f"mediashelf itself failed at this image ({type(error).__name__}: {error})",
        remedy="report this with the image's first 64 KiB; its bytes were read and recorded",
    )


def _as_kept(finding: Finding, path: Path) -> Finding:
    """Raw sectors are an error for whoever serves an image, and none for who keeps one.

    Nor is an image of sound alone, which has no volume, if its sheet is there.
    """
    if finding.rule == RAW_RULE or (finding.rule == NO_VOLUME_RULE and has_sheet(path)):
        return replace(finding, severity=Severity.NOTE)
    return finding


def has_sheet(path: Path) -> bool:
    """Tell whether a cue sheet of the same name lies beside an image that is none itself."""
    sheets = (path.with_suffix(SHEET_SUFFIX), path.with_suffix(SHEET_SUFFIX.upper()))
    return path.suffix.lower() in SUFFIXES_BY_CONTENT and any(sheet.exists() for sheet in sheets)


T = TypeVar("T")


def read_many(
    jobs: Iterable[T],
    read: Callable[[T, Callable[[int], None]], Reading],
    *,
    workers: int = WORKERS,
    on_bytes: Callable[[int], None] = lambda count: None,
) -> Generator[tuple[T, Reading], None, None]:
    """Yield each job with its reading, in the order of the jobs, read by a few threads.

    ``read`` gets the job and the callback to pass on. Closing the iterator, or an
    exception in the caller, stops the threads at their next block.
    """
    stop = threading.Event()
    lock = threading.Lock()

    def count(amount: int) -> None:
        if stop.is_set():
            raise Stopped
        with lock:
            on_bytes(amount)

    def work(job: T) -> Reading:
        if stop.is_set():
            raise Stopped
        return read(job, count)

    waiting: deque[tuple[T, Future[Reading]]] = deque()
    pool = ThreadPoolExecutor(workers, thread_name_prefix="read")
    try:
        for job in jobs:
            waiting.append((job, pool.submit(work, job)))
            if len(waiting) >= workers + _AHEAD:
                first, future = waiting.popleft()
                yield first, future.result()
        while waiting:
            first, future = waiting.popleft()
            yield first, future.result()
    finally:
        stop.set()
        pool.shutdown(wait=True, cancel_futures=True)
