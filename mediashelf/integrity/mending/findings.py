"""The findings of mending: what stays unknown, what rests on a vote, what the copies are like."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from mediashelf.findings import Finding, Severity
from mediashelf.integrity.mending.copies import Copies, Copy
from mediashelf.integrity.mending.values import CopyReport, How, Part, sector_count
from mediashelf.integrity.structure.damage import Span
from mediashelf.text import count_text

_ANOTHER_COPY = "name another copy with --from"
_LARGEST_NUMBER_SHOWN = 10**9


def place_text(span: Span, in_bytes: bool) -> str:
    """Return a span as people read it: ``LBA 512–1,023``, or bytes where there are no LBAs."""
    if in_bytes:
        return f"bytes {span.offset:,}–{span.offset + span.length - 1:,}"
    if span.first_lba == span.last_lba:
        return f"LBA {span.first_lba:,}"
    return f"LBA {span.first_lba:,}–{span.last_lba:,}"


def tries_text(part: Part) -> str:
    """Return how many combinations of sectors were tried: ``5,000 of about 10^12``."""
    if part.tried == part.possible:
        return f"all {part.tried:,}"
    if part.possible > _LARGEST_NUMBER_SHOWN:
        return f"{part.tried:,} of about 10^{len(str(part.possible)) - 1}"
    return f"{part.tried:,} of {part.possible:,}"


def part_findings(parts: Sequence[Part], copies: int, in_bytes: bool) -> Iterator[Finding]:
    """Yield what must be known of the parts whose bytes no digest proves."""
    for part in parts:
        where = place_text(part.span, in_bytes)
        if part.how is How.NOT_MENDED:
            yield _not_mended(part, where, copies)
        elif part.how is How.UNDECIDED:
            yield _undecided(part, where, copies)
        elif part.how is How.VOTED:
            yield _voted(part, where, copies)
            if part.zeros_won:
                yield _zeros_won(part, where)


def _not_mended(part: Part, where: str, copies: int) -> Finding:
    remedy = _ANOTHER_COPY
    if part.absent:
        verb = "is" if part.absent == 1 else "are"
        message = f"{count_text(part.absent, 'sector')} {verb} in none of the files"
    elif copies == 1:
        message = "the bytes are not as recorded, and there is no copy to take them from"
    elif part.possible == 1:
        message = "no file holds it as recorded, and all files hold the same bytes"
    else:
        message = (
            "no file holds it as recorded, nor does any combination of their sectors that was "
            f"tried ({tries_text(part)})"
        )
        if part.tried < part.possible:
            remedy += ", or try more combinations with --tries"
    return Finding(
        "block-can-be-mended",
        Severity.ERROR,
        where,
        message,
        remedy=remedy,
        offset=part.span.offset,
        length=part.span.length,
    )


def _undecided(part: Part, where: str, copies: int) -> Finding:
    if part.absent:
        reason = "a sector there is in none of the files"
    elif part.disputed:
        reason = f"the {copies} files disagree, with no majority"
    else:
        reason = "only one of the files has bytes there, and no other confirms them"
    return Finding(
        "bytes-decided",
        Severity.ERROR,
        where,
        reason,
        remedy=f"{_ANOTHER_COPY}; an odd number of good ones decides",
        offset=part.span.offset,
        length=part.span.length,
    )


def _voted(part: Part, where: str, copies: int) -> Finding:
    voices = f"{len(part.sources)} of {copies} files agree"
    if not part.sources:
        voices = "in each scattered sector most files agree"
    return Finding(
        "bytes-proved",
        Severity.WARNING,
        where,
        f"decided by a vote: {voices}; likely, not proved",
        remedy="check the result with audit --depth contents before you rely on it",
        offset=part.span.offset,
        length=part.span.length,
    )


def _zeros_won(part: Part, where: str) -> Finding:
    return Finding(
        "data-wins-over-zeros",
        Severity.WARNING,
        where,
        "most files hold zeros there and another holds data; programs leave zeros where they "
        "could not read",
        remedy="name a copy with --from that was read without errors",
        offset=part.span.offset,
        length=part.span.length,
    )


def size_undecided(image: str, sizes: Sequence[int]) -> Finding:
    """The files differ in size with no majority, so that even the end is not known."""
    shown = ", ".join(f"{size:,}" for size in sorted(set(sizes)))
    return Finding(
        "size-decided",
        Severity.ERROR,
        image,
        f"the files have different sizes with no majority ({shown} bytes)",
        remedy=_ANOTHER_COPY,
    )


def whole_differs(image: str) -> Finding:
    """Every part is proved or voted, and the whole is not what is on record."""
    return Finding(
        "whole-as-recorded",
        Severity.ERROR,
        image,
        "put together, the bytes do not match the recorded digest of the whole",
        remedy=f"{_ANOTHER_COPY}, or check that the record is of this image",
    )


def mostly_overruled(image: CopyReport, size: int, *, by_record: bool) -> Iterator[Finding]:
    """Warn when so much of the image is disproved that it may be another one."""
    if not _is_mostly_overruled(image, size):
        return
    if by_record:
        yield Finding(
            "image-agrees-with-record",
            Severity.WARNING,
            str(image.path),
            f"{count_text(image.overruled, 'sector')} of it, more than half, are not as recorded: "
            "it may be another image than the recorded one",
            remedy="compare both with show before you delete anything",
        )
    else:
        yield Finding(
            "image-agrees-with-copies",
            Severity.ERROR,
            str(image.path),
            f"outvoted in {count_text(image.overruled, 'sector')}: the copies may be of "
            "another image",
            remedy="compare all of them with show",
        )


def _is_mostly_overruled(report: CopyReport, size: int) -> bool:
    return report.overruled * 2 > sector_count(min(size, report.size))


def copy_findings(copies: Copies, size: int, in_bytes: bool) -> Iterator[Finding]:
    """Yield notes on what the files themselves are like; hints, not proof of anything."""
    for path, reason in copies.set_aside:
        yield _note("copy-is-used", str(path), f"not used: {reason.removeprefix(f'{path}: ')}")
    for place, copy in enumerate(copies.opened):
        yield from _size_note(copy.report, size)
        yield from _reading_notes(copy.report)
        if place and _is_stranger(copy.report, size):
            yield _stranger(copy, in_bytes)


def _size_note(report: CopyReport, size: int) -> Iterator[Finding]:
    if report.size < size:
        yield _note(
            "copy-has-full-size",
            str(report.path),
            f"ends {count_text(size - report.size, 'byte')} early",
        )
    elif report.size > size:
        yield _note(
            "copy-has-full-size",
            str(report.path),
            f"has {count_text(report.size - size, 'byte')} past the end, which are left out",
        )


def _reading_notes(report: CopyReport) -> Iterator[Finding]:
    if report.unreadable:
        yield _note(
            "copy-is-readable",
            str(report.path),
            f"{count_text(report.unreadable, 'sector')} could not be read",
            "copy what can be read of that disk to another disk first",
        )
    if report.blank:
        verb = "holds" if report.blank == 1 else "hold"
        yield _note(
            "copy-has-no-dropouts",
            str(report.path),
            f"{count_text(report.blank, 'sector')} of it {verb} zeros in place of data",
            "programs leave zeros where they could not read; read that disc again",
        )


def _is_stranger(report: CopyReport, size: int) -> bool:
    """Tell whether a copy looks like another image: nothing sampled fits, or it always loses."""
    if report.sampled:
        return not report.sampled_right
    return _is_mostly_overruled(report, size)


def _stranger(copy: Copy, in_bytes: bool) -> Finding:
    report = copy.report
    if report.sampled:
        message = f"none of {report.sampled:,} blocks compared is as recorded"
    else:
        message = f"outvoted in {count_text(report.overruled, 'sector')}"
    remedy = "it may be of another image: compare both with show, or leave it out"
    if copy.is_raw() and not in_bytes:
        remedy = "it holds raw sectors: turn it into an image with convert, and name that"
    return _note("copy-agrees", str(report.path), message, remedy)


def _note(rule: str, where: str, message: str, remedy: str = "") -> Finding:
    return Finding(rule, Severity.NOTE, where, message, remedy=remedy)
