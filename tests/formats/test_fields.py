"""Numbers in both byte orders, text and dates of descriptors."""

from __future__ import annotations

from datetime import datetime, timedelta, timezone

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from byte_views import BytesView
from mediashelf.formats.fields import (
    A_CHARACTERS,
    D_CHARACTERS,
    BothOrders,
    decode_wide,
    parse_both_16,
    parse_both_32,
    parse_descriptor_date,
    parse_text,
    parse_wide_text,
    read_sector,
)
from mediashelf.formats.volume import encode_record_date, parse_record_date

REPEATABLE = settings(derandomize=True, deadline=None)


def test_both_byte_orders_as_the_standard_shows_them() -> None:
    # The examples of the notes in ECMA-119 7.2.3 and 7.3.3.
    assert parse_both_16(bytes.fromhex("34 12 12 34")) == (0x1234, 0x1234)
    assert parse_both_32(bytes.fromhex("78 56 34 12 12 34 56 78")) == (0x12345678, 0x12345678)


@REPEATABLE
@given(st.integers(0, 0xFFFF), st.integers(0, 0xFFFF))
def test_both_copies_of_16_bits_are_kept(little: int, big: int) -> None:
    # ECMA-119 7.2.3.
    data = b"?" + little.to_bytes(2, "little") + big.to_bytes(2, "big")
    number = parse_both_16(data, 1)
    assert number == (little, big)
    assert number.agrees == (little == big)


@REPEATABLE
@given(st.integers(0, 0xFFFFFFFF), st.integers(0, 0xFFFFFFFF))
def test_both_copies_of_32_bits_are_kept(little: int, big: int) -> None:
    # ECMA-119 7.3.3.
    data = b"??" + little.to_bytes(4, "little") + big.to_bytes(4, "big")
    assert parse_both_32(data, 2) == (little, big)


def test_the_likelier_copy_is_the_one_that_is_possible() -> None:
    # Own behaviour.
    assert BothOrders(5, 5).likely(10) == 5
    assert BothOrders(5, 7).likely(10) == 5
    assert BothOrders(500, 7).likely(10) == 7
    assert BothOrders(500, 700).likely(10) == 500
    assert BothOrders(500, 12).nearest(10) == 12
    assert BothOrders(12, 500).nearest(10) == 12


def test_character_sets_have_the_sizes_that_the_standard_counts() -> None:
    # ECMA-119 7.4.1: 37 d-characters, 57 a-characters.
    assert len(D_CHARACTERS) == 37
    assert len(A_CHARACTERS) == 57
    assert not A_CHARACTERS & set(b"#$@[\\]^abcxyz")


def test_text_loses_filler_and_nothing_else() -> None:
    # Common practice: spaces and zero bytes fill a field.
    assert parse_text(b"  TIDE TABLES   ") == "  TIDE TABLES"
    assert parse_text(b"A\0\0") == "A"
    assert parse_text(bytes([0xE9, 0x20])) == "é"
    assert parse_wide_text("Tide Ä".encode("utf-16-be") + b"\0 \0 \0") == "Tide Ä"


@REPEATABLE
@given(st.binary(max_size=40))
def test_any_bytes_decode_to_text_that_can_be_written(data: bytes) -> None:
    decode_wide(data).encode("utf-8")
    parse_wide_text(data).encode("utf-8")
    parse_text(data).encode("utf-8")


@pytest.mark.parametrize(
    ("field", "text"),
    [
        (b"1999060112304500\x00", "1999-06-01T12:30:45+00:00"),
        (b"1999060112304599\x04", "1999-06-01T12:30:45+01:00"),
        (b"2024022923595900" + bytes([256 - 20]), "2024-02-29T23:59:59-05:00"),
        (b"0" * 16 + b"\0", ""),
        (b"\0" * 17, ""),
        (b" " * 16 + b"\0", ""),
    ],
)
def test_descriptor_dates(field: bytes, text: str) -> None:
    # ECMA-119 8.4.26.1.
    assert parse_descriptor_date(field) == (text, True)


@pytest.mark.parametrize(
    "field",
    [
        b"1999130112304500\x00",  # month 13
        b"1999023012304500\x00",  # 30 February
        b"1999060124304500\x00",  # hour 24
        b"19990601123045x0\x00",
        b"0000060112304500\x00",  # year 0
        b"1999060112304500\x60",  # a whole day east
        b"1999060112304500" + bytes([53]),  # above +52 quarters
    ],
)
def test_nonsense_is_no_descriptor_date(field: bytes) -> None:
    # ECMA-119 8.4.26.1.
    assert not parse_descriptor_date(field).is_valid


@REPEATABLE
@given(st.binary(min_size=17, max_size=17))
def test_any_17_bytes_are_a_date_or_not(field: bytes) -> None:
    date = parse_descriptor_date(field)
    assert not date.text or datetime.fromisoformat(date.text)


@REPEATABLE
@given(
    st.datetimes(datetime(1900, 1, 2), datetime(2155, 12, 30)),
    st.integers(-48, 52),
)
def test_record_dates_survive(moment: datetime, quarter_hours: int) -> None:
    zone = timezone(timedelta(minutes=15 * quarter_hours))
    whole = moment.replace(microsecond=0, tzinfo=zone)
    assert parse_record_date(encode_record_date(whole)) == whole
    # ECMA-119 9.1.5 written out: years since 1900 and an offset in quarters of an hour.
    year, *rest = whole.timetuple()[:6]
    field = bytes([year - 1900, *rest, quarter_hours & 0xFF])
    assert parse_record_date(field) == whole


def test_a_partial_sector_is_no_sector() -> None:
    view = BytesView(bytes(2048) + b"rest")
    assert read_sector(view, 0) == bytes(2048)
    assert read_sector(view, 1) == b""
    assert read_sector(view, 2) == b""
