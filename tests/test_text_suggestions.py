"""Sizes that people write, suggestions for words that are nearly right, wrapped lines."""

from __future__ import annotations

import subprocess
import sys

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from mediashelf.amounts import parse_size
from mediashelf.text import did_you_mean, display_width, first_text, part_text, printable, wrap


@pytest.mark.parametrize(
    ("text", "size"),
    [
        ("614400", 614_400),
        ("4GB", 4_000_000_000),
        ("4 gb", 4_000_000_000),
        ("1.5GiB", 1_610_612_736),
        ("700 MiB", 734_003_200),
        ("0.001kB", 1),
        ("12B", 12),
    ],
)
def test_sizes_are_read_as_people_write_them(text: str, size: int) -> None:
    assert parse_size(text) == size


@pytest.mark.parametrize(
    "text", ["", "GB", "-4GB", "4XB", "4 G B", "1e9", "٤GB", "4GB\n4", "9" * 40]
)
def test_other_texts_are_no_sizes(text: str) -> None:
    with pytest.raises(ValueError, match="is not a size"):
        parse_size(text)


def test_the_nearest_word_is_named() -> None:
    assert did_you_mean("Purpse", ["purpose", "targets"]) == "; did you mean 'purpose'?"
    assert did_you_mean("quite other", ["purpose", "targets"]) == ""


@settings(derandomize=True, deadline=None)
@given(st.text(max_size=200), st.integers(8, 80), st.sampled_from(["", "  ", "[ ] "]))
def test_wrapped_lines_fit_and_lose_nothing(text: str, width: int, lead: str) -> None:
    lines = wrap(text, width, lead=lead)
    assert all(display_width(line) <= width for line in lines)
    joined = "".join(line[len(lead) :] for line in lines)
    assert "".join(joined.split()) == "".join(printable(text).split())


def test_wide_characters_count_twice() -> None:
    assert wrap("潮汐表 潮汐表", 8, lead="- ") == ["- 潮汐表", "  潮汐表"]
    assert wrap("", 10, lead="- ") == ["- "]


@pytest.mark.parametrize(
    "name", ["tide  table.iso", "tide\u00a0table.iso", "潮\u3000汐.iso", "a   b"]
)
@pytest.mark.parametrize("width", [80, 40, 20])
def test_a_name_that_is_copied_from_a_line_exists(name: str, width: int) -> None:
    for text in (name, f"library: {name}: the bytes differ from the record of that day"):
        assert sum(name in line for line in wrap(text, width)) == 1


def test_blanks_of_a_word_that_is_wider_than_a_line_stay_with_what_is_before() -> None:
    assert wrap("kiosk   system  .iso", 10) == ["kiosk   ", "system  ", ".iso"]
    assert wrap("kiosksystems  x", 8) == ["kiosksys", "tems  x"]
    assert wrap("x" + " " * 20 + "y", 8) == ["x" + " " * 7, " " * 8, " " * 5 + "y"]


@pytest.mark.parametrize(
    ("part", "whole", "text"),
    [
        (1 << 20, 3 << 20, "1 of 3 MiB"),
        (488 << 10, 2 << 20, "488 KiB of 2 MiB"),
        (3 << 20, 3 << 20, "all 3 MiB"),
        (5, 80, "5 of 80 bytes"),
        (1, 80, "1 byte of 80 bytes"),
        (1536, 3 << 10, "1.5 of 3 KiB"),
    ],
)
def test_a_part_of_a_size(part: int, whole: int, text: str) -> None:
    assert part_text(part, whole) == text


@pytest.mark.parametrize(
    ("text", "columns"),
    [
        ("README.TXT", 10),
        ("港の潮汐表", 10),
        ("Πίνακας", 7),
        ("e\u0301", 1),  # a combining accent
        ("क्षि", 2),  # marks that take no column of their own
        ("a\u200bb", 2),  # a space of no width
        ("ｱ", 1),
    ],
)
def test_columns_are_those_of_a_terminal(text: str, columns: int) -> None:
    """UAX 11 (East Asian Width); marks without a column as terminals show them: wcwidth."""
    assert display_width(text) == columns


def test_plain_text_needs_no_tables() -> None:
    code = "from mediashelf.text import wrap; wrap('plain', 3); import sys; print(*sys.modules)"
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert "wcwidth" not in ran.stdout.split()


@pytest.mark.parametrize(
    ("count", "noun", "text"),
    [
        (0, "", ""),
        (2, "", "0, 1"),
        (3, "", "0, 1 and 1 more"),
        (3, "run", "0, 1 and 1 more run"),
        (4, "run", "0, 1 and 2 more runs"),
        (1_003, "", "0, 1 and 1,001 more"),
    ],
)
def test_of_many_texts_the_first_are_named_and_the_others_counted(
    count: int, noun: str, text: str
) -> None:
    assert first_text([str(number) for number in range(count)], 2, noun) == text
