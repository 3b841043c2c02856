"""The map of a damaged image: every mark at the place that its bytes have."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace

from mediashelf.findings import Severity
from mediashelf.integrity.structure.damage import Span, TouchedEntry
from mediashelf.reports.allowance import RowAllowance
from mediashelf.reports.audit.disc_map import (
    FILES_SHOWN,
    RESOLUTION,
    DiscMap,
    Mark,
    draw_disc_map,
    mark_number,
)
from report_samples import MIB, finding


def draw(size: int = 100 * MIB, **parts: object) -> DiscMap:
    drawn = draw_disc_map(size, allowance=RowAllowance(1000), **parts)  # type: ignore[arg-type]
    assert drawn is not None
    return drawn


def test_spans_stand_at_their_part_of_the_disc() -> None:
    drawn = draw(damage=[Span(25 * MIB, MIB), Span(90 * MIB, 10 * MIB)])
    assert drawn.total == 100 * MIB
    assert drawn.file_end == 100
    assert drawn.damage == (Mark(25, 1, 1), Mark(90, 10, 2))


def test_one_mark_alone_has_no_number() -> None:
    assert draw(damage=[Span(25 * MIB, MIB)]).damage == (Mark(25, 1, 0),)


def test_marks_that_cannot_be_told_apart_are_one() -> None:
    near, far = 25 * MIB + MIB // 4, 26 * MIB + MIB
    assert draw(damage=[Span(25 * MIB, 1), Span(near, 1)]).damage == (Mark(25, 0.25, 0),)
    assert [mark.start for mark in draw(damage=[Span(25 * MIB, 1), Span(far, 1)]).damage] == [
        25,
        27,
    ]


def test_the_missing_end_of_a_file_is_drawn_and_no_damage() -> None:
    drawn = draw(60 * MIB, recorded_size=100 * MIB, damage=[Span(60 * MIB, 40 * MIB)])
    assert (drawn.total, drawn.file_end, drawn.damage) == (100 * MIB, 60, ())
    assert "the file ends at 60.0 MiB, 40.0 MiB are missing" in drawn.words


def test_a_volume_longer_than_its_file_stretches_the_map() -> None:
    cut = finding("image-is-whole", where="image", offset=60 * MIB, length=20 * MIB)
    assert draw(60 * MIB, findings=[cut]).file_end == 75
    assert draw(80 * MIB, findings=[replace(cut, length=0)]).file_end == 100


def test_a_record_that_claims_the_moon_does_not_shrink_the_map() -> None:
    far = finding(offset=4 << 40, length=5)
    near = finding(where="/B", offset=50 * MIB, length=5)
    drawn = draw(findings=[far, near])
    assert drawn.total == 100 * MIB
    assert drawn.beyond == 1
    assert [place.start for place in drawn.findings] == [50]
    assert draw(damage=[Span(4 << 40, 5), Span(0, 5)]).total == 100 * MIB


def test_files_lie_where_their_bytes_are_and_only_the_wrong_ones_are_hit() -> None:
    entry = TouchedEntry("/A", 20 * MIB, 6 * MIB, (Span(10 * MIB, 10 * MIB), Span(50 * MIB, MIB)))
    drawn = draw(damage=[Span(15 * MIB, 10 * MIB), Span(50 * MIB, MIB)], touched=[entry])
    (file,) = drawn.files
    assert file.places == (Mark(10, 10), Mark(50, 1))
    assert file.hits == (Mark(15, 5), Mark(50, 1))
    assert file.words == "6 of 20 MiB"


def test_findings_are_marked_where_they_are() -> None:
    error = finding(where="/SLIDE~1.BMP", offset=30 * MIB, length=MIB)
    twin = replace(error, where="/A slide.bmp (joliet)")
    note = finding(severity=Severity.NOTE, where="/N", offset=70 * MIB, length=MIB)
    nowhere = finding(where="/X")
    drawn = draw(findings=[error, twin, note, nowhere])
    assert [(each.start, each.width, each.severity, each.count) for each in drawn.findings] == [
        (30, 1, "error", 2),
        (70, 1, "note", 1),
    ]


def test_a_finding_about_the_span_itself_is_not_marked_twice() -> None:
    span = Span(25 * MIB, MIB)
    whole = finding("bytes-as-recorded", offset=span.offset, length=span.length)
    assert draw(damage=[span], findings=[whole]).findings == ()


def test_the_worst_finding_of_a_place_gives_its_sign() -> None:
    found = [
        finding(severity=severity, offset=10 * MIB + number)
        for number, severity in enumerate([Severity.NOTE, Severity.ERROR, Severity.WARNING])
    ]
    (place,) = draw(findings=found).findings
    assert (place.severity, place.count) == ("error", 3)


@pytest.mark.parametrize(
    "parts",
    [
        {},
        {"findings": [finding(severity=Severity.NOTE, offset=5)]},
        {"findings": [finding(where="/A")]},
    ],
)
def test_without_damage_that_has_a_place_there_is_no_map(parts: dict[str, object]) -> None:
    assert draw_disc_map(MIB, allowance=RowAllowance(9), **parts) is None  # type: ignore[arg-type]


def test_an_empty_file_has_a_map_only_if_something_is_missing() -> None:
    assert draw_disc_map(0, findings=[finding(offset=0)], allowance=RowAllowance(9)) is None
    assert draw(0, recorded_size=MIB, damage=[Span(0, MIB)]).file_end == 0


def test_files_that_are_not_drawn_are_counted() -> None:
    touched = [
        TouchedEntry(f"/{number}", MIB, MIB, (Span(number * MIB, MIB),)) for number in range(40)
    ]
    drawn = draw(damage=[Span(0, 40 * MIB)], touched=touched)
    assert len(drawn.files) == FILES_SHOWN
    assert drawn.files_left_out == 40 - FILES_SHOWN
    assert "40 files hit" in drawn.words


SPANS = st.lists(
    st.tuples(st.integers(0, 10**12), st.integers(1, 10**11)).map(lambda pair: Span(*pair)),
    min_size=1,
    max_size=60,
)


@settings(derandomize=True, deadline=None)
@given(SPANS)
def test_every_wrong_byte_is_under_a_mark(spans: list[Span]) -> None:
    size = 2 * 10**12
    drawn = draw(size, damage=spans)
    assert len(drawn.damage) <= 100 / RESOLUTION
    for span in spans:
        start, end = (100 * at / size for at in (span.offset, span.offset + span.length))
        assert any(
            mark.start - 0.002 <= start and end <= mark.start + mark.width + 0.002
            for mark in drawn.damage
        )
        number = mark_number(drawn, span.offset)
        mark = drawn.damage[number - 1]
        assert mark.start - RESOLUTION <= start <= mark.start + mark.width + RESOLUTION
    numbers = [mark.number for mark in drawn.damage if mark.number]
    assert numbers == sorted(set(numbers))
