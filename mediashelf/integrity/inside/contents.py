"""Files inside an image with checksums of their own, verified where they are.

Nothing is unpacked to disk; memory stays at a few chunks whatever the files say;
archives inside archives are counted and not followed. The format is told by a
file's first bytes, not by its name.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from itertools import islice

from msgspec import Struct, field

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
from mediashelf.integrity.inside.contained_catalogs import check_contained_catalogs
from mediashelf.integrity.inside.contained_lists import check_contained_lists
from mediashelf.integrity.inside.content_files import (
    MAX_OVERLAP,
    ContentFile,
    CountedView,
    DistinctFiles,
    Image,
    findings_of,
)
from mediashelf.integrity.inside.selfchecks.archives import (
    iter_rar5_faults,
    iter_rar_faults,
    iter_seven_zip_faults,
)
from mediashelf.integrity.inside.selfchecks.cabinets import iter_cabinet_faults
from mediashelf.integrity.inside.selfchecks.compressed import iter_compressed_faults
from mediashelf.integrity.inside.selfchecks.faults import Fault, Tally, shifted
from mediashelf.integrity.inside.selfchecks.gzips import iter_gzip_faults
from mediashelf.integrity.inside.selfchecks.programs import iter_program_faults
from mediashelf.integrity.inside.selfchecks.zips import iter_attached_zip_faults, iter_zip_faults

MAX_FAULTS_PER_FILE = 100
"""Findings of one file after which the rest of it is left unchecked, which is then said."""

_ATTACHED_SEARCH = 4096

_FAULT_ITERATORS: dict[ContentFormat, Callable[[View, Tally], Iterator[Fault]]] = {
    ContentFormat.CABINET: iter_cabinet_faults,
    ContentFormat.ZIP: iter_zip_faults,
    ContentFormat.GZIP: iter_gzip_faults,
    ContentFormat.SEVEN_ZIP: iter_seven_zip_faults,
    ContentFormat.RAR: iter_rar_faults,
    ContentFormat.RAR5: iter_rar5_faults,
    ContentFormat.COMPRESSED: iter_compressed_faults,
}


class ContentsReport(Struct):
    """What was looked at. Filled while the findings are drawn; complete with the last of them.

    ``files`` and ``size`` count distinct files; ``tallies`` has an entry for each
    format that was met. ``unchecked_files`` have no checksums of their own.
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


def check_contents(
    image: Image,
    *,
    files: Iterable[ContentFile] | None = None,
    on_bytes: Callable[[int], None] = lambda count: None,
    report: ContentsReport | None = None,
) -> Iterator[Finding]:
    """Yield what is wrong inside the files of an image, file after file as they stand on it.

    ``files`` are those to look at, all distinct ones by default. Checksum lists and driver
    catalogs among them are compared with the files they name, whose bytes are then read once
    more. Findings have the path, offset and length in the image. ``report`` takes in
    what was verified and what was not. Damage and errors of the medium never raise.
    """
    report = ContentsReport() if report is None else report
    lists: list[ContentFile] = []
    catalogs: list[ContentFile] = []
    allowed = MAX_OVERLAP * image.view.size
    for file in DistinctFiles(image.facts) if files is None else files:
        view = CountedView(image.view, file, on_bytes)
        allowed -= view.size
        if allowed < 0:
            yield _too_much(file)
            break
        report.files += 1
        report.size += file.size
        report.cut_files += view.size < file.size
        try:
            yield from _check_file(file, view, report, lists, catalogs)
        except OSError as error:
            report.unreadable_files += 1
            yield _unreadable(file, error)
        view.finish()
    yield from check_contained_lists(image, lists, report.tally, on_bytes=on_bytes)
    if ContentFormat.CHECKSUM_LIST in report.tallies:
        report.unchecked_files -= report.tally(ContentFormat.CHECKSUM_LIST).files
    if catalogs:
        tally = report.tally(ContentFormat.CATALOG)
        yield from check_contained_catalogs(image, catalogs, tally, on_bytes=on_bytes)


def _check_file(
    file: ContentFile,
    view: CountedView,
    report: ContentsReport,
    lists: list[ContentFile],
    catalogs: list[ContentFile],
) -> Iterator[Finding]:
    head = view.read(0, HEAD_SIZE)
    kind = detect_format(head)
    if kind is None:
        report.unchecked_files += 1
        if looks_like_checksum_list(head):
            lists.append(file)
        return
    if kind is ContentFormat.CATALOG:
        catalogs.append(file)
        return
    tally = report.tally(kind)
    tally.files += 1
    if kind is ContentFormat.PROGRAM:
        faults = _iter_program_faults(view, tally, report)
    else:
        faults = _FAULT_ITERATORS[kind](view, tally)
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


def _iter_program_faults(view: View, tally: Tally, report: ContentsReport) -> Iterator[Fault]:
    """Check a program, and the archive after it if it is a self-extracting one."""
    end = yield from iter_program_faults(view, tally)
    attached = find_attached(view.read(end, _ATTACHED_SEARCH))
    if attached is None:
        return
    kind, offset = attached
    tally.verified["programs with an archive after them"] += 1
    inner = report.tally(kind)
    if kind is ContentFormat.ZIP:  # its offsets may count from the program's start
        yield from iter_attached_zip_faults(view, end + offset, inner)
    else:
        inner.files += 1
        yield from shifted(
            _FAULT_ITERATORS[kind](TailView(view, end + offset), inner), end + offset
        )


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
        remedy="the disk or card that holds the image is failing: copy the image while it can "
        "still be read",
        offset=file.runs[0].offset,
        length=file.size,
    )
