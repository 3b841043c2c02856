"""Exit codes are public: distinct, above usage errors, and in the README."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

from mediashelf.errors import FormatError, MediashelfError

README = Path(__file__).parents[1] / "README.md"


def kinds_of(kind: type[MediashelfError]) -> Iterator[type[MediashelfError]]:
    """Yield each kind of error: one that refines another, with its exit code, is no new kind."""
    for subclass in kind.__subclasses__():
        if kind is MediashelfError or "exit_code" in vars(subclass):
            yield subclass
        yield from kinds_of(subclass)


def test_exit_codes_are_distinct_and_above_usage() -> None:
    codes = Counter(error.exit_code for error in kinds_of(MediashelfError))
    assert codes
    assert not [code for code, count in codes.items() if count > 1 or code < 3]


def test_format_error_says_place_found_and_expected() -> None:
    error = FormatError(
        "standard identifier", at=0x8001, found=b"CD002", expected="b'CD001'", clause="ECMA-119 8.1"
    )
    assert str(error) == (
        "0x8001: standard identifier is b'CD002', expected b'CD001' (ECMA-119 8.1)"
    )


def test_the_readme_lists_every_exit_code() -> None:
    text = README.read_text("utf-8")
    for error in kinds_of(MediashelfError):
        found = re.search(rf"\| {error.exit_code} \| ([^|]+) \|", text)
        assert found, error
        assert (error.__doc__ or "").lower().startswith(found[1].lower()), error
