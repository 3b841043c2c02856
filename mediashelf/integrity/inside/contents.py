"""Files inside an image that carry their own checks, verified where they are.

Nothing is unpacked to disk; memory stays at a few chunks whatever the files say;
archives inside archives are counted and not followed. The format is told by a
file's first bytes, not by its name.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from itertools import islice

from mediashelf.findings import Finding, Severity
from mediashelf.formats.fields import View
from mediashelf.formats.lists.parse import looks_like_checksum_list
from mediashelf.formats.packed.signatures import (
    HEAD_SIZE,
    ContentFormat,
    detect_format,
    find_attached,
)
from mediashelf.formats.runs import TailView
from mediashelf.formats.volume import Entry
from mediashelf.integrity.inside.contained_lists import check_contained_lists
from mediashelf.integrity.inside.content_files import (
    MAX_OVERLAP,
    ContentFile,
    CountedView,
    Image,
    distinct_files,
    findings_of,
)
from mediashelf.integrity.inside.selfchecks.archives import check_rar, check_rar5, check_seven_zip
from mediashelf.integrity.inside.selfchecks.cabinets import check_cabinet
from mediashelf.integrity.inside.selfchecks.compressed import check_compressed
from mediashelf.integrity.inside.selfchecks.faults import Fault, Tally, shifted
from mediashelf.integrity.inside.selfchecks.gzips import check_gzip
from mediashelf.integrity.inside.selfchecks.programs import check_program
from mediashelf.integrity.inside.selfchecks.zips import check_attached_zip, check_zip

MAX_FAULTS_PER_FILE = 100
"""Findings of one file after which the rest of it is left unchecked, which is then said."""

_ATTACHED_SEARCH = 4096

_CHECKS: dict[ContentFormat, Callable[[View, Tally], Iterator[Fault]]] = {
    ContentFormat.CABINET: check_cabinet,
    ContentFormat.ZIP: check_zip,
    ContentFormat.GZIP: check_gzip,
    ContentFormat.SEVEN_ZIP: check_seven_zip,
    ContentFormat.RAR: check_rar,
    ContentFormat.RAR5: check_rar5,
    ContentFormat.COMPRESSED: check_compressed,
}


@dataclass(slots=True)
class ContentsReport:
    """What was looked at. Filled while the findings are drawn; complete with the last of them.

    ``files`` and ``size`` count distinct files; ``tallies`` has an entry for each
    format that was met. ``unchecked_files`` hold no checks of their own.
    ``unreadable_files`` gave an error of the medium, ``cut_files`` have bytes
    beyond the image's end.
    """

    files: int = 0
    size: int = 0
    unchecked_files: int = 0
    unreadable_files: int = 0
    cut_files: int = 0
    tallies: dict[ContentFormat, Tally] = field(default_factory=dict)

    def tally(self, kind: ContentFormat) -> Tally:
        """Return the tally of a format, a new one when it was not met before."""
        return self.tallies.setdefault(kind, Tally())

    @property
    def nested_archives(self) -> int:
        """Archives seen inside archives; none was followed."""
        return sum(tally.nested_archives for tally in self.tallies.values())


def contents_size(image: Image, entries: Iterable[Entry] | None = None) -> int:
    """Return how many bytes :func:`check_contents` will report to ``on_bytes``, lists left out."""
    return sum(file.size for file in distinct_files(image.facts, entries))


def check_contents(
    image: Image,
    *,
    entries: Iterable[Entry] | None = None,
    on_bytes: Callable[[int], None] = lambda count: None,
    report: ContentsReport | None = None,
) -> Iterator[Finding]:
    """Yield what is wrong inside the files of an image, file after file as they stand on it.

    ``entries`` are the files to look at, all by default; files that share their
    extents are verified once. Checksum lists among them are compared with the
    files they name, whose bytes are then read once more. Findings have the path,
    offset and length in the image. ``report`` takes in what was verified and what
    was not. Damage and errors of the medium never raise.
    """
    report = ContentsReport() if report is None else report
    lists: list[ContentFile] = []
    allowed = MAX_OVERLAP * image.view.size
    for file in distinct_files(image.facts, entries):
        view = CountedView(image.view, file, on_bytes)
        allowed -= view.size
        if allowed < 0:
            yield _too_much(file)
            break
        report.files += 1
        report.size += file.size
        report.cut_files += view.size < file.size
        try:
            yield from _check_file(file, view, report, lists)
        except OSError as error:
            report.unreadable_files += 1
            yield _unreadable(file, error)
        view.finish()
    yield from check_contained_lists(image, lists, report.tally, on_bytes=on_bytes)
    if ContentFormat.CHECKSUM_LIST in report.tallies:
        report.unchecked_files -= report.tally(ContentFormat.CHECKSUM_LIST).files


def _check_file(
    file: ContentFile, view: CountedView, report: ContentsReport, lists: list[ContentFile]
) -> Iterator[Finding]:
    head = view.read(0, HEAD_SIZE)
    kind = detect_format(head)
    if kind is None:
        report.unchecked_files += 1
        if looks_like_checksum_list(head):
            lists.append(file)
        return
    tally = report.tally(kind)
    tally.files += 1
    if kind is ContentFormat.PROGRAM:
        faults = _check_program(view, tally, report)
    else:
        faults = _CHECKS[kind](view, tally)
    worst = Severity.NOTE
    for fault in islice(faults, MAX_FAULTS_PER_FILE):
        worst = max(worst, fault.severity)
        yield from findings_of(fault, file.path, view.runs)
    tally.faulty_files += worst > Severity.NOTE
    if next(faults, None) is not None:
        yield Finding(
            rule="findings-are-counted",
            severity=Severity.NOTE,
            where=file.path,
            message=f"more than {MAX_FAULTS_PER_FILE} findings; the rest was not checked",
            remedy="the file is badly damaged: copy it again from its source",
        )


def _check_program(view: View, tally: Tally, report: ContentsReport) -> Iterator[Fault]:
    """Check a program, and the archive behind it if it is a self-extracting one."""
    end = yield from check_program(view, tally)
    attached = find_attached(view.read(end, _ATTACHED_SEARCH))
    if attached is None:
        return
    kind, offset = attached
    tally.verified["programs with an archive behind them"] += 1
    inner = report.tally(kind)
    if kind is ContentFormat.ZIP:  # its offsets may count from the program's start
        yield from check_attached_zip(view, end + offset, inner)
    else:
        inner.files += 1
        yield from shifted(_CHECKS[kind](TailView(view, end + offset), inner), end + offset)


def _too_much(file: ContentFile) -> Finding:
    return Finding(
        rule="extents-are-bounded",
        severity=Severity.ERROR,
        where=file.path,
        message=f"the files of this image claim more than {MAX_OVERLAP} times the bytes that it "
        "has; from this one on none was checked",
        remedy="see the structural findings: the directory records are damaged or made to mislead",
        source="our own limit",
        offset=file.runs[0].offset,
        length=file.size,
    )


def _unreadable(file: ContentFile, error: OSError) -> Finding:
    return Finding(
        rule="content-is-readable",
        severity=Severity.ERROR,
        where=file.path,
        message=f"cannot be read from the image: {error.strerror or error}",
        remedy="the disk or card that holds the image fails: copy the image while it still can "
        "be read",
        offset=file.runs[0].offset,
        length=file.size,
    )
