"""What is said of parts and copies, at the limits. Own behaviour throughout."""

from __future__ import annotations

from pathlib import Path

import pytest
from msgspec.structs import replace

from mediashelf.findings import Severity
from mediashelf.integrity.mending.findings import (
    mostly_overruled,
    part_findings,
    place_text,
    size_undecided,
    tries_text,
    whole_differs,
)
from mediashelf.integrity.mending.values import (
    SPANS_IN_A_BLOCK,
    CopyReport,
    How,
    Part,
    spans_of_sectors,
)
from mediashelf.integrity.structure.damage import Span

PART = Part(Span(2048 * 512, 2048 * 512), How.NOT_MENDED, tried=4, possible=8)
REPORT = CopyReport(Path("tide.iso"), 100 * 2048)


@pytest.mark.parametrize(
    ("span", "in_bytes", "text"),
    [
        (Span(0, 2048), False, "LBA 0"),
        (Span(2047, 2), False, "LBA 0–1"),
        (Span(2048 * 1024, 2048 * 512), False, "LBA 1,024–1,535"),
        (Span(2048, 2048), True, "bytes 2,048–4,095"),
    ],
)
def test_places_in_words(span: Span, in_bytes: bool, text: str) -> None:
    assert place_text(span, in_bytes) == text


@pytest.mark.parametrize(
    ("tried", "possible", "text"),
    [
        (8, 8, "all 8"),
        (5000, 10**9, "5,000 of 1,000,000,000"),
        (5000, 10**9 + 1, "5,000 of about 10^9"),
        (5000, 4 * 10**12, "5,000 of about 10^12"),
    ],
)
def test_tries_in_words(tried: int, possible: int, text: str) -> None:
    assert tries_text(replace(PART, tried=tried, possible=possible)) == text


@pytest.mark.parametrize(
    ("part", "copies", "message", "remedy"),
    [
        (replace(PART, absent=1), 2, "1 sector is in none of the files", ""),
        (replace(PART, absent=2), 2, "2 sectors are in none of the files", ""),
        (PART, 1, "the bytes are not as recorded, and there is no copy", ""),
        (replace(PART, possible=1), 2, "all files hold the same bytes", ""),
        (PART, 2, "tried (4 of 8)", ", or try more combinations with --tries"),
        (replace(PART, tried=8), 2, "tried (all 8)", ""),
    ],
)
def test_what_was_not_mended(part: Part, copies: int, message: str, remedy: str) -> None:
    (found,) = part_findings([part], copies, in_bytes=False)
    assert (found.rule, found.severity) == ("block-can-be-mended", Severity.ERROR)
    assert message in found.message
    assert found.remedy == f"name another copy with --from{remedy}"
    assert (found.offset, found.length) == (2048 * 512, 2048 * 512)


@pytest.mark.parametrize(
    ("part", "message"),
    [
        (Part(PART.span, How.UNDECIDED, absent=1), "in none of the files"),
        (Part(PART.span, How.UNDECIDED, disputed=True), "the 3 files disagree, with no majority"),
        (Part(PART.span, How.UNDECIDED), "only one of the files has bytes there"),
    ],
)
def test_what_is_undecided(part: Part, message: str) -> None:
    (found,) = part_findings([part], 3, in_bytes=False)
    assert (found.rule, found.severity) == ("bytes-decided", Severity.ERROR)
    assert message in found.message


def test_what_was_voted_is_a_warning() -> None:
    scattered = Part(PART.span, How.VOTED)
    voted = Part(PART.span, How.VOTED, (0, 2), zeros_won=True)
    findings = list(part_findings([scattered, voted, Part(PART.span, How.COPY)], 3, in_bytes=False))
    assert [(item.rule, item.severity) for item in findings] == [
        ("bytes-proved", Severity.WARNING),
        ("bytes-proved", Severity.WARNING),
        ("data-wins-over-zeros", Severity.WARNING),
    ]
    assert "in each scattered sector most files agree" in findings[0].message
    assert "2 of 3 files agree" in findings[1].message


@pytest.mark.parametrize(("overruled", "is_told"), [(50, False), (51, True)])
@pytest.mark.parametrize(
    ("by_record", "rule", "severity"),
    [
        (True, "image-agrees-with-record", Severity.WARNING),
        (False, "image-agrees-with-copies", Severity.ERROR),
    ],
)
def test_an_image_that_is_mostly_overruled_may_be_another(
    overruled: int, is_told: bool, by_record: bool, rule: str, severity: Severity
) -> None:
    report = replace(REPORT, overruled=overruled)
    for size in (100 * 2048, 200 * 2048):  # of what it has, not of what it should have
        found = list(mostly_overruled(report, size, by_record=by_record))
        assert [(item.rule, item.severity) for item in found] == [(rule, severity)] * is_told


def test_the_whole_and_its_size() -> None:
    assert whole_differs("tide.iso").severity is Severity.ERROR
    found = size_undecided("tide.iso", [3000, 1000, 3000])
    assert (found.severity, "(1,000, 3,000 bytes)" in found.message) == (Severity.ERROR, True)


def test_many_runs_in_a_block_become_one_span() -> None:
    most = range(0, 2 * SPANS_IN_A_BLOCK, 2)
    assert len(spans_of_sectors(most, 0, 1 << 20)) == SPANS_IN_A_BLOCK
    more = range(0, 2 * SPANS_IN_A_BLOCK + 2, 2)
    assert spans_of_sectors(more, 4096, 1 << 20) == (Span(4096, (2 * SPANS_IN_A_BLOCK + 1) * 2048),)
    assert spans_of_sectors([1, 2], 0, 5000) == (Span(2048, 2952),)


def test_parts_that_go_on_the_same_way_are_joined() -> None:
    first = Part(Span(0, 4096), How.COPY, (1,), (Span(2048, 2048),), absent=1)
    later = Part(Span(4096, 2048), How.COPY, (1,), (Span(4096, 1024), Span(5500, 10)), absent=2)
    assert first.goes_on_with(later)
    joined = first.joined_with(later)
    assert joined.span == Span(0, 6144)
    assert joined.changed == (Span(2048, 3072), Span(5500, 10))
    assert joined.absent == 3
    apart = first.joined_with(replace(later, changed=(Span(4097, 3),)))
    assert apart.changed == (Span(2048, 2048), Span(4097, 3))
    for other in (
        replace(later, span=Span(4097, 2048)),
        replace(later, sources=(2,)),
        replace(later, how=How.VOTED),
        replace(later, zeros_won=True),
        replace(later, disputed=True),
        replace(later, absent=0),
    ):
        assert not first.goes_on_with(other)
    assert not replace(first, how=How.SECTORS).goes_on_with(replace(later, how=How.SECTORS))
