"""Lines of INF texts: comments, continuation, quoting, merging.

Rules are those of the page "general-syntax-rules-for-inf-files" where no other is named.
"""

from __future__ import annotations

import random

import pytest

from mediashelf.formats.inf.document import parse_inf
from mediashelf.formats.inf.text.faultless import faultless_entries
from mediashelf.formats.inf.text.lexer import lex_inf, lex_lines
from mediashelf.formats.inf.text.sections import InfEntry


def entries(text: str) -> list[tuple[str, tuple[str, ...]]]:
    lexed = lex_inf("[s]\n" + text)
    assert lexed.problems == []
    return [(entry.key, entry.values) for entry in lexed.sections["s"].entries]


def problems(text: str) -> list[tuple[str, int]]:
    return [(problem.rule, problem.line) for problem in lex_inf(text).problems]


@pytest.mark.parametrize(
    ("line", "key", "values"),
    [
        ("key=value", "key", ("value",)),
        ("  key  =  value  ", "key", ("value",)),
        ("key = a, b ,c", "key", ("a", "b", "c")),
        ("a.sys, b.sys,, 2", "", ("a.sys", "b.sys", "", "2")),
        ("key =", "key", ("",)),
        ("key = a,,", "key", ("a", "", "")),
        ("key = a = b", "key", ("a = b",)),
        ("a, b = c", "", ("a", "b = c")),
        # comments
        ("key = a ; the rest", "key", ("a",)),
        ("key = a;b;c", "key", ("a",)),
        ('key = "a;b" ; c', "key", ("a;b",)),
        ("%a;b% = c ; d", "%a;b%", ("c",)),
        ("key = 50% ; sure", "key", ("50%",)),
        ('key = a ; "open', "key", ("a",)),
        # quotes
        ('key = "a, b", c', "key", ("a, b", "c")),
        ('key = "  a  "', "key", ("  a  ",)),
        ('key = "say ""so"""', "key", ('say "so"',)),
        ('key = """"', "key", ('"',)),
        ('key = ""', "key", ("",)),
        ('"a = b" = c', "a = b", ("c",)),
        ('key = pre "fix" post , x', "key", ("pre fix post", "x")),
        ('key = "a" "b"', "key", ("a b",)),
        # strings keep their percent signs until they are replaced
        ("%a.b% = x%%y", "%a.b%", ("x%%y",)),
        # "a quoted dir\ protects a literal trailing backslash"
        ('key = "dir\\"', "key", ("dir\\",)),
        ('key = "dir\\", b', "key", ("dir\\", "b")),
    ],
)
def test_one_line(line: str, key: str, values: tuple[str, ...]) -> None:
    assert entries(line) == [(key, values)]


@pytest.mark.parametrize(
    "text",
    [
        "key = a, \\\n  b, c",
        "key = a, \\ ; why\n b, c ; because",
        "key = a, \\\n; between\n b, \\\n c",
        "key = a, \\\r\n b, c\r\n",
        "key = a, \\\r b, c",
        # "the first is ignored, the second continues"
        "key = a, \\\\\n b, c",
    ],
)
def test_continued_lines_are_one_entry(text: str) -> None:
    assert entries(text) == [("key", ("a", "b", "c"))]


def test_a_continued_entry_with_quotes() -> None:
    assert entries('key = "a;1", \\\n "b\\", \\ ; x\n c') == [("key", ("a;1", "b\\", "c"))]


def test_an_empty_line_ends_a_continuation() -> None:
    assert entries("1 = d,,,\\\n\n2 = e") == [("1", ("d", "", "", "")), ("2", ("e",))]


def test_blanks_inside_the_brackets_make_another_section() -> None:
    """As Wine's SetupAPI reads it; no page says so."""
    text = "[ L ]\na\n[L\t]\nb\n[L]\nc\n"
    for sections in (lex_inf(text).sections, parse_inf(text.encode()).sections):
        values = {name: section.entries[0].values for name, section in sections.items()}
        assert values == {" l ": ("a",), "l\t": ("b",), "l": ("c",)}


def test_sections_of_one_name_are_merged_in_any_case() -> None:
    lexed = lex_inf("[Files]\na\n[Other]\nx\n[FILES]\nb\n[files] ; again\nc")
    assert list(lexed.sections) == ["files", "other"]
    merged = lexed.sections["files"]
    assert (merged.name, merged.line) == ("Files", 1)
    assert merged.entries == (
        InfEntry("", ("a",), 2),
        InfEntry("", ("b",), 6),
        InfEntry("", ("c",), 8),
    )
    assert lexed.problems == []


def test_line_numbers_count_every_kind_of_line_end() -> None:
    lexed = lex_inf("[s]\r\n\r\na=1\rb=2\n; c\nd = \\\r\n4\ne=5")
    assert [(e.key, e.line) for e in lexed.sections["s"].entries] == [
        ("a", 3),
        ("b", 4),
        ("d", 6),
        ("e", 8),
    ]


def test_line_separators_of_other_character_sets_are_no_line_ends() -> None:
    assert entries("a = 1\x0b2\x1c3\u20284\x855") == [("a", ("1\x0b2\x1c3\u20284\x855",))]


def test_zero_characters_and_the_old_end_mark_are_nothing() -> None:
    assert entries("a\0 = 1\n\x1a") == [("a", ("1",))]
    assert entries("a = 1\x1ab = 2\n") == [("a", ("1",))]


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("stray\n[s]\na", [("text-before-section", 1)]),
        ("one\ntwo\n[s]", [("text-before-section", 1)]),
        ("[s\na", [("section-not-closed", 1)]),
        ("[s ]\na", [("section-name-blanks", 1)]),
        ("[s] rest\na", [("text-after-section", 1)]),
        ("[" + "s" * 256 + "]", [("section-name-long", 1)]),
        ("[s]\na = " + "b" * 4096, [("field-long", 2)]),
        ('[s]\na = "b', [("quote-not-closed", 2)]),
        ('[s]\na = "b"", c', [("quote-not-closed", 2)]),
        ("[s]\n1 = a,,,\\\n2 = b", [("continuation-joins-entry", 3)]),
        ("[s]\n1 = a,,,\\\n[t]", [("continuation-before-section", 2)]),
        ("[s]\na\n1 = a,,,\\", [("continuation-at-end", 3)]),
        # controls
        ("[" + "s" * 255 + "]", []),
        ("[s]\na = " + "b" * 4095, []),
        ('[s]\na = "b"', []),
        ('[s]\n1 = a,,,"\\"\n2 = b', []),
    ],
)
def test_problems_have_a_rule_and_a_line(text: str, found: list[tuple[str, int]]) -> None:
    assert problems(text) == found


def test_a_section_without_its_bracket_is_still_read() -> None:
    assert lex_inf("[s ; why\na = 1").sections["s"].entries[0].key == "a"


def test_the_fast_way_reads_faultless_lines_as_the_long_one_does() -> None:
    chance = random.Random(20)
    parts = ["key", "=", ",", " ", "\t", "a.sys", "%s%", '"q, r"', ";", "\\", "\n"]
    compared = 0
    for _ in range(3_000):
        parts = chance.choices(
            ["key", "=", ",", " ", "\t", "a.sys", "%s%", '"q, r"', ";", "\\", "\n"], k=12
        )
        text = "".join(parts)
        entries, is_faultless = lex_lines(text, 7)
        if is_faultless:
            compared += 1
            assert faultless_entries(text, 7) == entries, text
    assert compared > 1_000
