"""Any text, TOML or not: understood within the limits, or refused with the kind's error."""

from __future__ import annotations

import tomllib

from hypothesis import given, settings
from hypothesis import strategies as st

from mediashelf.errors import RecipeError
from mediashelf.tables.bounds import detect_excess
from mediashelf.tables.reading import TableKind, parse_tables

KIND = TableKind("a recipe", ("a", "b"), RecipeError)

PIECES = [
    "a", "b", "=", ".", ",", "\n", " ", "[", "]", "{", "}", '"', "'", '"""', "'''", "\\", "#",
    "1", "9" * 300, "[" * 40, "]" * 40, "a." * 12, "true", "2001-01-01", '"x"', "'\\'", "\r\n",
]  # fmt: skip


@given(st.lists(st.sampled_from(PIECES), max_size=25).map("".join))
@settings(derandomize=True, deadline=None, max_examples=400)
def test_a_text_is_read_or_refused(text: str) -> None:
    try:
        table = parse_tables(text.encode(), KIND)
    except RecipeError as error:
        assert str(error)
    else:
        assert {key: table.value(key) for key in table} == tomllib.loads(text)


@given(st.text(st.sampled_from("[]{}.=a9\"'\\\n#"), max_size=60))
@settings(derandomize=True, deadline=None, max_examples=300)
def test_what_is_in_texts_and_comments_is_never_too_much(inner: str) -> None:
    """TOML 1.0.0, String and Comment: a literal text of several lines ends at three quotes."""
    inside = (inner * 8).replace("'", "")
    assert detect_excess(f"a = '''{inside}'''\n") is None
    comment = (inner * 8).replace("\n", "")
    assert detect_excess(f"# {comment}\na = 1\n") is None
