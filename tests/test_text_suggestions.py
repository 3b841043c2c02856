"""Sizes that people write, and suggestions for words that are nearly right."""

from __future__ import annotations

import pytest

from mediashelf.text import did_you_mean, parse_size


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
    with pytest.raises(ValueError, match="is no size"):
        parse_size(text)


def test_the_nearest_word_is_named() -> None:
    assert did_you_mean("Purpse", ["purpose", "targets"]) == "; did you mean 'purpose'?"
    assert did_you_mean("quite other", ["purpose", "targets"]) == ""
