"""Damage spans against a plain count, byte by byte.

Own behaviour; 2048 bytes a sector: ECMA-119 6.1.2 (clause from memory).
"""

from __future__ import annotations

import time
from collections.abc import Iterable
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace

from mediashelf.findings import Finding, Severity
from mediashelf.formats.volume import (
    HOLE,
    BootEntry,
    BootFacts,
    DiscFacts,
    Entry,
    Extent,
    VolumeFacts,
    VolumeKind,
)
from mediashelf.integrity.structure.damage import (
    DamageSpan,
    Span,
    StoredSectors,
    count_hidden,
    damage_spans,
    entries_touched,
    merged,
    spans_of_blocks,
)

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


def test_boot_image_that_no_entry_names_is_named_by_its_place_in_the_catalog() -> None:
    floppy = boot_entry(50, 1_474_560, media=2)
    code = boot_entry(20, 2048)
    boot = BootFacts(19, "", True, (floppy, code, replace(floppy, section=1)))
    named = Entry("/BOOT.BIN", "", 3000, False, (Extent(20, 3000),))
    facts = DiscFacts(0, (VolumeFacts(VolumeKind.ISO9660, "T", (named,)),), boot)
    place = Span(50 * 2048, 1_474_560)
    touched = entries_touched(facts, [Span(60 * 2048, 10), Span(20 * 2048 + 4, 2)])
    assert touched == (
        ("/BOOT.BIN", 3000, 2, (Span(20 * 2048, 3000),)),
        ("the boot image of El Torito entry 1", 1_474_560, 10, (place,)),
    )
    assert count_hidden(touched) == 1
    assert entries_touched(facts, [Span(19 * 2048, 10)]) == ()


@pytest.mark.parametrize("lba", [0, 1 << 31])
def test_boot_entry_that_leads_nowhere_is_no_boot_image(lba: int) -> None:
    boot = BootFacts(19, "", True, (boot_entry(lba, 0),))
    assert entries_touched(DiscFacts(0, (), boot), [Span(0, 1 << 20)]) == ()


def boot_entry(lba: int, size: int, media: int = 0) -> BootEntry:
    return BootEntry(0, True, media, 0, 0, 4, lba, size)


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


def test_files_that_share_their_bytes_are_all_named() -> None:
    shared = (Extent(20, 3000),)
    entries = tuple(Entry(f"/{name}", "", 3000, False, shared) for name in "AB")
    facts = DiscFacts(0, (VolumeFacts(VolumeKind.ISO9660, "T", entries),))
    touched = entries_touched(facts, [Span(20 * 2048, 1)])
    assert [entry.path for entry in touched] == ["/A", "/B"]


SPANS = st.lists(st.builds(Span, st.integers(0, 60), st.integers(0, 12)), max_size=8)


def test_files_over_much_damage_take_time_in_proportion_to_both() -> None:
    """As on a raw disc with thousands of bad sectors and one file named again and again."""

    def seconds(count: int) -> float:
        size = count * 2 * 2048
        entries = tuple(
            Entry(f"/F{number}", "", size, False, (Extent(0, size),)) for number in range(count)
        )
        facts = DiscFacts(0, (VolumeFacts(VolumeKind.ISO9660, "T", entries),))
        start = time.process_time()
        touched = entries_touched(facts, [Span(2 * 2048 * number, 7) for number in range(count)])
        took = time.process_time() - start
        assert {one.touched for one in touched} == {7 * count}
        assert len(touched) == count
        return took

    # Four times of both may take four times the time, with room for noise; never sixteen.
    assert seconds(2000) < 10 * max(seconds(500), 0.02)


def covered(spans: Iterable[Span]) -> set[int]:
    return {at for span in spans for at in range(span.offset, span.offset + span.length)}


@settings(derandomize=True, deadline=None)
@given(SPANS)
def test_merged_spans_cover_the_same_bytes_and_are_apart(spans: list[Span]) -> None:
    joined = merged(spans)
    assert covered(joined) == covered(spans)
    for one, other in pairwise(joined):
        assert one.offset + one.length < other.offset


def finding(severity: Severity, offset: int | None, length: int | None, rule: str) -> Finding:
    return Finding(rule, severity, "x", "y", offset=offset, length=length)


def test_errors_and_warnings_are_spans_apart_and_notes_are_none() -> None:
    found = damage_spans(
        [
            finding(Severity.ERROR, 10, 5, "two"),
            finding(Severity.ERROR, 15, 5, "one"),
            finding(Severity.WARNING, 12, 100, "other"),
            finding(Severity.ERROR, 300, 5, "far"),
            finding(Severity.NOTE, 500, 5, "note"),
            finding(Severity.ERROR, None, 5, "nowhere"),
            finding(Severity.ERROR, 900, None, "no extent"),
        ],
        [Span(18, 10)],
        "differs",
    )
    assert found == (
        DamageSpan(Span(10, 18), Severity.ERROR, ("differs", "one", "two")),
        DamageSpan(Span(12, 100), Severity.WARNING, ("other",)),
        DamageSpan(Span(300, 5), Severity.ERROR, ("far",)),
    )


RAW = StoredSectors(2352, 16)


def test_places_in_raw_sectors() -> None:
    """ECMA-130 14: 12 bytes of sync, 4 of header, then 2048 of user data in mode 1."""
    assert RAW.in_file(Span(0, 2048)) == Span(16, 2048)
    assert RAW.in_file(Span(2040, 16)) == Span(16 + 2040, 2352 - 2040 + 8)
    assert RAW.in_user_data(Span(2352, 1)) == Span(2048, 2048)
    assert RAW.in_user_data(Span(2351, 2)) == Span(0, 4096)
    assert RAW.lbas(Span(2352 * 7 + 5, 2352)) == (7, 8)
    assert StoredSectors().in_file(Span(5, 7)) == StoredSectors().in_user_data(Span(5, 7))


@settings(derandomize=True, deadline=None)
@given(st.integers(0, 20_000), st.integers(1, 9000))
def test_user_data_lies_within_what_is_found_for_its_place(offset: int, length: int) -> None:
    back = RAW.in_user_data(RAW.in_file(Span(offset, length)))
    assert back.offset <= offset < offset + length <= back.offset + back.length
    assert back.length < length + 2 * 2048


def test_damage_of_raw_sectors_touches_the_files_in_them() -> None:
    entry = Entry("/A", "", 5000, False, (Extent(20, 5000),))
    facts = DiscFacts(0, (VolumeFacts(VolumeKind.ISO9660, "T", (entry,)),), looks_raw=True)
    (touched,) = entries_touched(facts, [Span(21 * 2352, 2352)], RAW)
    assert touched.touched == 2048
    assert touched.places == (Span(20 * 2352 + 16, 2 * 2352 + 904),)
