"""Directory records: every field, cut and damaged at every place, beside a control."""

from __future__ import annotations

from array import array

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import image_parts as parts
from byte_views import BytesView
from image_parts import SECTOR
from make_image import make_iso, put
from mediashelf.findings import Finding
from mediashelf.formats.disc import read_disc
from mediashelf.formats.iso.directories import plain_records, record_parsing
from mediashelf.formats.iso.directories.directory_records import (
    DirectoryRecords,
    Geometry,
    system_use_of,
)
from mediashelf.formats.iso.directories.record_columns import BodyReader, packed_alike
from mediashelf.formats.iso.directories.record_parsing import parse_directory
from mediashelf.formats.iso.volume_descriptor import parse_root_record
from mediashelf.formats.problem_log import ProblemLog

OFFSET = 20 * SECTOR
GEOMETRY = Geometry(SECTOR, 1000 * SECTOR, 1000 * SECTOR)
SELF = parts.directory_record(b"\x00", 20, SECTOR, flags=2)
PARENT = parts.directory_record(b"\x01", 19, SECTOR, flags=2)
FIRST = parts.directory_record(b"README.TXT;1", 100, 5000)
SECOND = parts.directory_record(b"SETUP", 200, SECTOR, flags=2, system_use=b"XY")
MANY = [parts.directory_record(b"FILE%03d.TXT;1" % number, 100, 1) for number in range(130)]


def parse(data: bytes, **more: int) -> tuple[DirectoryRecords, tuple[Finding, ...]]:
    log = ProblemLog()
    records = parse_directory(
        data,
        offset=OFFSET,
        where="/HERE",
        geometry=GEOMETRY,
        log=log,
        max_records=more.get("max_records", 100),
    )
    return records, log.findings()


def rules(findings: tuple[Finding, ...]) -> list[str]:
    return [finding.rule for finding in findings]


def directory(*records: bytes) -> bytes:
    return parts.pack_records([SELF, PARENT, *records])[0]


def test_sound_records_are_read_and_nothing_is_found() -> None:
    # ECMA-119 9.1: the fields of a record; 6.8.2.2: the first two.
    data = directory(FIRST, SECOND)
    records, findings = parse(data)
    assert findings == ()
    assert records.is_complete
    assert records.self_record is not None
    assert (records.self_record.lba, records.self_record.size) == (20, SECTOR)
    assert records.parent_record is not None
    assert records.parent_record.lba == 19
    first, second = records.children
    assert first == (68, b"README.TXT;1", 100, 5000, 0, parts.RECORD_DATE)
    assert second[1:5] == (b"SETUP", 200, SECTOR, 2)
    assert records.furthest == 200 * SECTOR + SECTOR
    assert not records.has_oddities
    assert system_use_of(data, first) == b""
    assert system_use_of(data, second) == b"XY"


def test_the_root_record_keeps_both_copies() -> None:
    # ECMA-119 8.4.18: 34 bytes in the form of 9.1.
    record = bytearray(parts.directory_record(b"\x00", 20, 4096, flags=2))
    record[6:10] = (99).to_bytes(4, "big")
    root = parse_root_record(bytes(record))
    assert root.extent == (20, 99)
    assert root.size == (4096, 4096)
    assert (root.length, root.flags, root.identifier) == (34, 2, b"\x00")


@pytest.mark.parametrize("size", range(1, len(FIRST)))
def test_a_record_cut_at_any_byte_is_found(size: int) -> None:
    whole = directory(FIRST, SECOND)
    records, findings = parse(whole[: 68 + size])
    assert findings
    assert not records.is_complete
    assert records.children == []
    control, none = parse(whole[: 68 + len(FIRST)])
    assert len(control.children) == 1
    assert none == ()


@pytest.mark.parametrize("length", [1, 2, 33, *range(35, 46), 255])
def test_a_wrong_record_length_is_found(length: int) -> None:
    # ECMA-119 9.1.1 and 9.1.12: 33 bytes, the identifier, its padding; even.
    data = bytearray(directory(FIRST, SECOND))
    assert data[68] == 46
    data[68] = length
    records, findings = parse(bytes(data))
    # An odd length is told by the checks that follow.
    assert findings or records.has_oddities


def test_parsing_goes_on_in_the_next_sector() -> None:
    # ECMA-119 6.8.1.1: a record ends in the sector in which it begins.
    data, offsets = parts.pack_records([SELF, PARENT, *MANY[:60]])
    assert len(data) == 2 * SECTOR
    in_second = sum(offset >= SECTOR for offset in offsets)
    damaged = bytearray(data)
    damaged[68] = 20
    records, findings = parse(bytes(damaged))
    assert rules(findings) == ["record-length"]
    assert findings[0].offset == OFFSET + 68
    assert len(records.children) == in_second
    assert not records.is_complete


def test_a_record_must_not_cross_its_sector() -> None:
    # ECMA-119 6.8.1.1.
    crossing = (SELF + PARENT + b"".join(MANY[:60])).ljust(2 * SECTOR, b"\0")
    _, findings = parse(crossing)
    assert "record-inside-sector" in rules(findings)
    assert parse(directory(*MANY[:60]))[1] == ()


def test_a_sector_without_records_is_found() -> None:
    # Own behaviour: records are missing there.
    data = directory(*MANY)
    assert len(data) == 3 * SECTOR
    for sector in (1, 2):
        damaged = data[: sector * SECTOR] + bytes(SECTOR) + data[(sector + 1) * SECTOR :]
        _, findings = parse(damaged)
        assert "sector-with-records" in rules(findings)
        assert findings[0].offset == OFFSET + sector * SECTOR


def test_records_that_end_early_in_a_sector_are_found() -> None:
    # Own behaviour: records may be missing there.
    data = directory(*MANY[:60])
    at_record = 68 + 46 * 20
    zeroed = data[:at_record] + bytes(SECTOR - at_record) + data[SECTOR:]
    assert rules(parse(zeroed)[1]) == ["records-without-gap"]
    assert parse(data)[1] == ()


@pytest.mark.parametrize("at", [200, 1000, SECTOR - 1])
def test_bytes_behind_the_records_are_found(at: int) -> None:
    # ECMA-119 6.8.1.1: the rest of a sector is zeros.
    data = bytearray(directory(FIRST))
    data[at] = 1
    _, findings = parse(bytes(data))
    assert rules(findings) == ["sector-rest-zero"]
    assert findings[0].offset == OFFSET + at


@pytest.mark.parametrize(
    ("at", "name", "field"),
    [
        (2, "extent", 2),
        (6, "extent", 2),
        (10, "data length", 10),
        (17, "data length", 10),
        (28, "sequence", 28),
        (31, "sequence", 28),
    ],
)
def test_copies_that_disagree_are_found(at: int, name: str, field: int) -> None:
    # ECMA-119 9.1.3, 9.1.4 and 9.1: numbers in both byte orders (7.2.3 and 7.3.3).
    data = bytearray(directory(FIRST))
    data[68 + at] ^= 0xFF
    _, findings = parse(bytes(data))
    assert rules(findings) == ["both-orders-agree"]
    assert name in findings[0].message
    assert findings[0].offset == OFFSET + 68 + field


def test_the_copy_that_stays_in_the_image_is_used() -> None:
    # Own behaviour: ECMA-119 7.3.3 does not say which copy counts.
    for at in (5, 6):  # the highest byte of either copy of the extent
        data = bytearray(directory(FIRST))
        data[68 + at] ^= 0xFF
        assert parse(bytes(data))[0].children[0].lba == 100
    for at in (13, 14):
        data = bytearray(directory(FIRST))
        data[68 + at] ^= 0xFF
        assert parse(bytes(data))[0].children[0].size == 5000


def test_a_missing_self_record_is_told_from_a_missing_parent_record() -> None:
    # ECMA-119 6.8.2.2 and 7.6.2: identifiers 00 and 01.
    data = bytearray(directory(FIRST))
    data[33] = 7
    records, _ = parse(bytes(data))
    assert records.self_record is None
    data = bytearray(directory(FIRST))
    data[34 + 33] = 7
    records, _ = parse(bytes(data))
    assert records.self_record is not None
    assert records.parent_record is None


def test_a_self_record_among_the_others_is_left_out() -> None:
    # ECMA-119 6.8.2.2: only the first two records have them.
    records, findings = parse(directory(FIRST, SELF))
    assert rules(findings) == ["self-record"]
    assert [record.identifier for record in records.children] == [b"README.TXT;1"]


def test_data_starts_behind_an_extended_attribute_record() -> None:
    # As the Linux kernel adds them up (fs/isofs/inode.c).
    record = parts.directory_record(b"A.;1", 100, 10, extended_attribute_blocks=2)
    assert parse(directory(record))[0].children[0].lba == 102


def test_empty_files_do_not_reach_anywhere() -> None:
    # Common practice: the extent of an empty file means nothing.
    record = parts.directory_record(b"EMPTY.;1", 0xFFFFFFFF, 0)
    assert parse(directory(record))[0].furthest == 21 * SECTOR


def test_no_more_records_than_asked_for() -> None:
    assert len(parse(directory(*MANY), max_records=12)[0].children) == 10


@settings(derandomize=True, deadline=None, max_examples=100)
@given(st.binary(max_size=3 * SECTOR))
def test_any_bytes_are_parsed(data: bytes) -> None:
    records, findings = parse(data)
    assert len(records.children) <= len(data) // 34
    assert records.is_complete or findings


@pytest.mark.parametrize("right", ["little", "big"])
def test_where_both_sizes_disagree_the_one_that_ends_in_the_image_counts(right: str) -> None:
    # ECMA-119 7.3.3 has one number in both orders; which one to believe is own behaviour.
    # 40 blocks fit into the image, but not from block 970 on: there are 30 left.
    record = bytearray(parts.directory_record(b"LATE.TXT;1", 970, 40 * SECTOR))
    good = 30 * SECTOR
    at = 10 if right == "little" else 14
    record[at : at + 4] = good.to_bytes(4, "little" if right == "little" else "big")
    records, findings = parse(directory(bytes(record)))
    assert rules(findings) == ["both-orders-agree"]
    assert records.children[0].size == good
    assert records.furthest == 1000 * SECTOR


def test_the_padding_after_an_identifier_of_even_length_is_zero() -> None:
    # ECMA-119 9.1.12: present only if the identifier's length is even, and then (00).
    made = make_iso({"AB.TXT": b"a", "C.TXT": b"c"})
    for path, is_padded in (("/AB.TXT", True), ("/C.TXT", False)):
        at = made.record(path)
        place = at + 33 + made.data[at + 32]
        assert (made.data[at] > place - at) is is_padded
        if is_padded:
            findings = read_disc(BytesView(put(made.data, place, b"x"))).findings
            assert [(each.rule, each.where, each.offset) for each in findings] == [
                ("reserved-field-zero", path, place)
            ]


@pytest.mark.parametrize("less", [1, 2, 3, 5])
@pytest.mark.parametrize("kind", ["iso9660", "joliet"])
def test_an_identifier_that_lost_its_end_leaves_it_behind(kind: str, less: int) -> None:
    # ECMA-119 9.1.10 and 9.1.13: what follows the identifier is for systems; own behaviour.
    made = make_iso({"README.TXT": b"r", "SETUP.EXE": b"s"}, joliet=3)
    at = made.record("/README.TXT", kind)
    short = put(made.data, at + 32, bytes([made.data[at + 32] - less]))
    assert "record-system-use" in {each.rule for each in read_disc(BytesView(short)).findings}


def test_bytes_for_systems_in_all_records_are_no_damage() -> None:
    # As of CD-XA, 14 bytes in each record.
    mark = bytes(4) + b"\x0d\x55XA" + bytes(6)
    paths = ["/.", "/..", "/A.TXT", "/DIR", "/DIR/.", "/DIR/..", "/DIR/B.TXT"]
    files = {"A.TXT": b"a", "DIR/B.TXT": b"b"}
    every = make_iso(files, system_use={path: lambda lba_of: mark for path in paths})
    assert read_disc(BytesView(every.data)).findings == ()
    some = make_iso(files, system_use={path: lambda lba_of: mark for path in ("/A.TXT", "/DIR")})
    assert read_disc(BytesView(some.data)).findings == ()
    (finding,) = read_disc(
        BytesView(make_iso(files, system_use={"/A.TXT": lambda lba_of: mark}).data)
    ).findings
    assert (finding.rule, finding.where) == ("record-system-use", "/A.TXT")


SIXTY = [
    parts.directory_record(
        b"F%0*d.TXT;1" % (1 + number % 3, number),
        100 + number,
        number % 4 and 3000,
        system_use=b"XY" * (number % 3),
    )
    for number in range(60)
]


def test_many_records_are_read_together(monkeypatch: pytest.MonkeyPatch) -> None:
    data = directory(*SIXTY)
    with monkeypatch.context() as patched:
        patched.delattr(record_parsing, "_LITTLE")  # what reads one record by itself
        records, findings = parse(data)
    assert findings == ()
    assert [record.size for record in records.children] == [0, 3000, 3000, 3000] * 15
    assert records.furthest == 159 * SECTOR + 3000
    assert records == one_by_one(data, monkeypatch)[0]


def test_many_records_are_judged_like_single_ones(monkeypatch: pytest.MonkeyPatch) -> None:
    """Damage at every byte: what is read of it and said of it is the same."""
    data = directory(*SIXTY)
    for at in range(len(data)):
        damaged = put(data, at, bytes([data[at] ^ (1 << at % 8)]))
        assert parse(damaged) == one_by_one(damaged, monkeypatch), at
    for size in range(0, len(data), 7):
        assert parse(data[:size]) == one_by_one(data[:size], monkeypatch), size


ALIKE = [
    parts.directory_record(b"FILE%02d.TXT;1" % number, 100 + number, 3000, system_use=b"XY" * 12)
    for number in range(60)
]


def test_records_of_one_length_are_judged_like_single_ones(monkeypatch: pytest.MonkeyPatch) -> None:
    """Over three sectors, with damage at every byte, and with one of another length among them."""
    data = directory(*ALIKE)
    assert packed_alike(data, parse(data)[0].children.places)[1] == len(ALIKE[0])
    for at in range(len(data)):
        damaged = put(data, at, bytes([data[at] ^ (1 << at % 8)]))
        assert parse(damaged) == one_by_one(damaged, monkeypatch), at
    for place in range(1, 60):
        mixed = directory(*ALIKE[:place], SIXTY[place], *ALIKE[place:])
        assert packed_alike(mixed, parse(mixed)[0].children.places) == (b"", 0)
        assert parse(mixed) == one_by_one(mixed, monkeypatch), place


@settings(derandomize=True, deadline=None, max_examples=150)
@given(st.data())
def test_any_records_are_read_together_as_one_by_one(data: st.DataObject) -> None:
    fields = st.tuples(
        st.binary(min_size=1, max_size=3),
        st.sampled_from([0, 1, 2048, 70_000]),
        st.integers(0, 255),
        st.sampled_from([b"", b"X", b"XY"]),
    )
    records = [
        parts.directory_record(name, 100, size, flags=flags, system_use=use)
        for name, size, flags, use in data.draw(st.lists(fields, min_size=15, max_size=70))
    ]
    directory_bytes = bytearray(directory(*records))
    for _ in range(data.draw(st.integers(0, 2))):
        at = data.draw(st.integers(0, len(directory_bytes) - 1))
        directory_bytes[at] = data.draw(st.integers(0, 255))
    with pytest.MonkeyPatch.context() as monkeypatch:
        damaged = bytes(directory_bytes)
        assert parse(damaged) == one_by_one(damaged, monkeypatch)


def test_what_is_known_of_bodies_counts_for_equal_bodies_alone() -> None:
    reader = BodyReader()
    first, other = (record[1:32] for record in SIXTY[1:3])
    known = reader.read(first, SECTOR, 1)
    assert known is not None
    assert reader.read(first, SECTOR, 1) is known
    assert reader.read(first, 512, 1) is not known
    found = reader.read(other, SECTOR, 1)
    assert found is not None
    assert (known.lbas, found.lbas) == (array("I", [101]), array("I", [102]))
    reader.forget()
    assert reader.read(first, SECTOR, 1) == known


def test_the_last_record_may_end_with_its_directory() -> None:
    # A name of even length without its padding byte (ECMA-119 9.1.12), and no bytes after it.
    made = make_iso({"AB.TXT": b"a"})
    at = made.record("/AB.TXT")
    size = 33 + made.data[at + 32]
    root = at // SECTOR * SECTOR
    length = (at - root + size).to_bytes(4, "little")
    data = put(made.data, at, bytes([size]))
    for place in (16 * SECTOR + 156 + 10, root + 10, root + 34 + 10):
        data = put(data, place, length + length[::-1])
    findings = read_disc(BytesView(data)).findings
    assert "record-length-even" in {each.rule for each in findings}


def one_by_one(
    data: bytes, monkeypatch: pytest.MonkeyPatch
) -> tuple[DirectoryRecords, tuple[Finding, ...]]:
    with monkeypatch.context() as patched:
        patched.setattr(plain_records, "_MANY", 1000)
        return parse(data)
