"""Path tables: both orders, against each other and against the tree."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import image_parts as parts
from byte_views import BytesView
from image_parts import SECTOR
from make_image import MadeImage, flip, make_iso, put, zero
from mediashelf.formats.disc import read_disc
from mediashelf.formats.iso.path_tables import PathTableRecord, parse_path_table
from mediashelf.formats.problem_log import ProblemLog

RECORDS = [(b"\x00", 20, 1), (b"DRIVERS", 21, 1), (b"SETUP", 22, 1), (b"SUB", 23, 2)]
ORDERS = (("L", "little"), ("M", "big"))


@pytest.fixture(scope="module")
def image() -> MadeImage:
    return make_iso(
        {"DRIVERS/VIDEO/A.TXT": b"a", "DRIVERS/SOUND/B.TXT": b"b", "SETUP/C.TXT": b"c"},
        joliet=3,
        long_names={"DRIVERS": "Treiber für alles"},
    )


def table(order: str, records: list[tuple[bytes, int, int]] = RECORDS) -> bytes:
    return b"".join(
        parts.path_table_record(identifier, lba, parent, order)
        for identifier, lba, parent in records
    )


def parse(data: bytes, order: str) -> tuple[list[PathTableRecord], list[str]]:
    log = ProblemLog()
    records = parse_path_table(data, order, offset=0, where="path table", log=log)
    return records, [finding.rule for finding in log.findings()]


def rules(data: bytes) -> set[str]:
    return {finding.rule for finding in read_disc(BytesView(data)).findings}


@pytest.mark.parametrize(("order", "name"), ORDERS)
def test_both_types_are_parsed(order: str, name: str) -> None:
    # ECMA-119 9.4: type L has the low byte first, type M the high byte.
    records, problems = parse(table(name), order)
    assert problems == []
    assert records == [(lba, parent, identifier) for identifier, lba, parent in RECORDS]


@pytest.mark.parametrize(("order", "name"), ORDERS)
def test_a_table_cut_at_any_byte_is_found(order: str, name: str) -> None:
    # ECMA-119 9.4.
    whole = table(name)
    ends = {0}
    for count in range(1, len(RECORDS) + 1):
        ends.add(len(table(name, RECORDS[:count])))
        # A missing padding byte behind the last record loses nothing.
        ends.add(len(table(name, RECORDS[:count])) - len(RECORDS[count - 1][0]) % 2)
    for size in range(len(whole) + 1):
        records, problems = parse(whole[:size], order)
        assert (problems == []) == (size in ends), size
        assert records == parse(whole, order)[0][: len(records)]


@pytest.mark.parametrize("parent", [0, 3, 4, 0xFFFF])
def test_a_parent_must_be_an_earlier_record(parent: int) -> None:
    # ECMA-119 6.9.1: parents come first.
    records, problems = parse(table("little", [*RECORDS[:2], (b"X", 30, parent)]), "L")
    assert problems == ["path-table-records"]
    assert len(records) == 2


@settings(derandomize=True, deadline=None)
@given(st.binary(max_size=300), st.sampled_from("LM"))
def test_any_bytes_are_parsed(data: bytes, order: str) -> None:
    records, _ = parse(data, order)
    assert len(records) <= len(data) // 8
    for number, record in enumerate(records, 1):
        assert record.parent_number < number or number == 1


def test_the_control_has_no_findings(image: MadeImage) -> None:
    assert rules(image.data) == set()


@pytest.mark.parametrize("kind", ["iso9660", "joliet"])
@pytest.mark.parametrize("order", ["l", "m"])
def test_every_byte_of_a_table_counts(image: MadeImage, kind: str, order: str) -> None:
    # ECMA-119 9.4.
    start = image.path_table(order, kind)
    name = "primary" if kind == "iso9660" else kind
    at = image.field(name, "path_table_size")
    size = int.from_bytes(image.data[at : at + 4], "little")
    for offset in range(start, start + size):
        found = rules(flip(image.data, offset))
        assert found & {
            "path-table-records",
            "path-tables-agree",
            "path-table-agrees",
            "reserved-field-zero",
        }, offset - start


@pytest.mark.parametrize("order", ["l", "m"])
def test_a_zeroed_table_is_found(image: MadeImage, order: str) -> None:
    # ECMA-119 9.4.
    assert "path-table-records" in rules(zero(image.data, image.path_table(order)))


def test_a_table_behind_the_end_of_the_image(image: MadeImage) -> None:
    # ECMA-119 8.4.14 to 8.4.17.
    far = (1_000_000).to_bytes(4, "little")
    data = put(image.data, image.field("primary", "type_l_path_table"), far)
    assert "path-table-readable" in rules(data)


def test_a_volume_without_one_of_the_tables(image: MadeImage) -> None:
    # ECMA-119 8.4.14 and 8.4.16.
    data = put(image.data, image.field("primary", "type_m_path_table"), bytes(4))
    assert rules(data) == {"path-table-readable"}


def test_optional_tables_are_compared_too(image: MadeImage) -> None:
    # ECMA-119 8.4.15 and 8.4.17.
    lba = image.path_table("l") // SECTOR
    field = image.field("primary", "optional_type_l_path_table")
    assert rules(put(image.data, field, lba.to_bytes(4, "little"))) == set()
    joliet = image.path_table("l", "joliet") // SECTOR
    assert rules(put(image.data, field, joliet.to_bytes(4, "little"))) & {
        "path-tables-agree",
        "path-table-records",
    }


def test_a_lost_directory_is_remembered_by_the_table(image: MadeImage) -> None:
    # ECMA-119 9.4.
    """The record of a directory removed from its parent without a trace."""
    start = image.directory("/DRIVERS")
    gone = image.record("/DRIVERS/SOUND") - start
    size = image.data[start + gone]
    sector = image.data[start : start + SECTOR]
    clean = (sector[:gone] + sector[gone + size :]).ljust(SECTOR, b"\0")
    disc = read_disc(BytesView(put(image.data, start, clean)))
    assert [finding.rule for finding in disc.findings] == ["path-table-agrees"]
    assert "'SOUND'" in disc.findings[0].found


def test_a_directory_that_the_tables_do_not_know(image: MadeImage) -> None:
    # ECMA-119 9.4.
    at = image.record("/SETUP/C.TXT")
    lba = image.directory("/SETUP") // SECTOR
    # The file becomes a directory whose extent is a free copy of another directory.
    data = image.data + image.data[image.directory("/SETUP") :][:SECTOR]
    new = len(image.data) // SECTOR
    data = put(data, at + 2, parts.both32(new) + parts.both32(SECTOR))
    data = put(data, at + 25, b"\x02")
    disc = read_disc(BytesView(data))
    assert "path-table-agrees" in {finding.rule for finding in disc.findings}
    assert lba != new


def test_tables_out_of_order_are_named() -> None:
    # ECMA-119 6.9.1.
    made = make_iso({"A/": b"", "B/": b""})
    data = made.data
    for order, name in (("l", "little"), ("m", "big")):
        entries = [
            (b"\x00", made.directory("/") // SECTOR, 1),
            (b"B", made.directory("/B") // SECTOR, 1),
            (b"A", made.directory("/A") // SECTOR, 1),
        ]
        data = put(data, made.path_table(order), table(name, entries))
    assert rules(data) == {"path-table-order"}
