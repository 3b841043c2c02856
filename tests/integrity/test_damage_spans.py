"""Damage spans against a plain count, byte by byte."""

from __future__ import annotations

from hypothesis import given, settings
from hypothesis import strategies as st

from mediashelf.formats.volume import HOLE, DiscFacts, Entry, Extent, VolumeFacts, VolumeKind
from mediashelf.integrity.damage import Span, entries_touched, spans_of_blocks

EXTENTS = st.builds(Extent, st.integers(0, 30), st.integers(0, 9000), st.integers(0, 2047))


def test_spans_are_joined_and_end_with_the_image() -> None:
    assert spans_of_blocks([0, 1, 3, 4, 9], 100, 450) == (Span(0, 200), Span(300, 150))
    assert spans_of_blocks([], 100, 450) == ()


def test_a_span_knows_its_logical_blocks() -> None:
    assert (Span(4096, 4096).first_lba, Span(4096, 4096).last_lba) == (2, 3)
    assert (Span(4095, 2).first_lba, Span(4095, 2).last_lba) == (1, 2)


def test_twin_trees_name_a_file_once_by_its_longer_name() -> None:
    shared = (Extent(20, 3000),)
    facts = DiscFacts(
        0,
        (
            VolumeFacts(VolumeKind.ISO9660, "T", (Entry("/A~1.TXT", "", 3000, False, shared),)),
            VolumeFacts(VolumeKind.JOLIET, "T", (Entry("/a long.txt", "", 3000, False, shared),)),
        ),
    )
    touched = entries_touched(facts, [Span(20 * 2048 + 2999, 10)])
    assert touched == (("/a long.txt", 3000, 1, (Span(20 * 2048, 3000),)),)
    assert entries_touched(facts, [Span(20 * 2048 + 3000, 10)]) == ()


def test_the_places_of_an_entry_are_where_its_bytes_are() -> None:
    extents = (
        Extent(20, 2048),
        Extent(21, 2048),  # goes on where the first ends
        Extent(HOLE, 1 << 20),  # zeros that are nowhere on the disc
        Extent(40, 100, offset=216),
    )
    entry = Entry("/a", "", 4196 + (1 << 20), False, extents)
    facts = DiscFacts(0, (VolumeFacts(VolumeKind.UDF, "T", (entry,)),))
    (touched,) = entries_touched(facts, [Span(40 * 2048 + 300, 4)])
    assert touched.places == (Span(20 * 2048, 4096), Span(40 * 2048 + 216, 100))
    assert touched.touched == 4
    assert entries_touched(facts, [Span(0, 4096), Span(40 * 2048, 216)]) == ()


@settings(derandomize=True, deadline=None)
@given(st.lists(st.lists(EXTENTS, max_size=3), max_size=5), st.sets(st.integers(0, 60)))
def test_touched_bytes_equal_a_plain_count(files: list[list[Extent]], blocks: set[int]) -> None:
    spans = spans_of_blocks(sorted(blocks), 1000, 55_500)
    wrong = {at for span in spans for at in range(span.offset, span.offset + span.length)}
    for number, extents in enumerate(files):
        entry = Entry(f"/{number}", "", sum(e.size for e in extents), False, tuple(extents))
        facts = DiscFacts(0, (VolumeFacts(VolumeKind.ISO9660, "T", (entry,)),))
        starts = [extent.lba * 2048 + extent.offset for extent in extents]
        expected = sum(
            len(wrong & set(range(start, start + extent.size)))
            for start, extent in zip(starts, extents, strict=True)
        )
        touched = entries_touched(facts, spans)
        assert sum(each.touched for each in touched) == expected
