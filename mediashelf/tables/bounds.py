"""What a TOML text may hold, looked at before it is parsed.

The parser of the standard library takes much memory for a key of many parts, recurses
once or more for each bracket, and refuses long numbers in its own way. The limits are
own behaviour: far beyond what a person writes, far below what does harm.
"""

from __future__ import annotations

import re

MAX_FILE_SIZE = 256 << 10
"""Bytes of a file that people write."""

MAX_DEPTH = 16
"""Arrays and inline tables inside each other."""

MAX_WORD = 200
"""Characters of a number or of one part of a key without quotes."""

MAX_KEY_PARTS = 8
"""Parts of a dotted key such as ``limits.path_length.value``."""

# Strings as in TOML 1.0.0, "String"; what is not closed ends the scan.
_TOKEN = re.compile(
    r'"""(?:\\.|[^\\])*?"{3,5}|'
    r"'''.*?'{3,5}|"
    r"""(?P<unclosed>\"{3}|'{3})|"""
    r'"(?:\\.|[^"\\\n])*"|'
    r"'[^'\n]*'|"
    r"""(?P<quote>["'])|"""
    r"#[^\n]*|"
    r"(?P<word>[\w+:-]+)|"
    r"(?P<mark>[][{}=,.\n])",
    re.DOTALL | re.ASCII,
)


def detect_excess(text: str) -> str | None:
    """Return what in a TOML text is too large, with its line, or None.

    Brackets, dots and long words in strings and comments do not count. Where a string
    is not closed, the rest is left to the parser, which refuses it there.
    """
    depth = dots = 0
    for token in _TOKEN.finditer(text):
        if token["unclosed"] or token["quote"]:
            return None
        excess = ""
        if word := token["word"]:
            if len(word) > MAX_WORD:
                what = "digits" if word.lstrip("+-")[:1].isdecimal() else "characters"
                excess = f"a word of {len(word):,} {what}, expected at most {MAX_WORD}"
        elif mark := token["mark"]:
            dots = dots + 1 if mark == "." else 0
            depth = max(0, depth + (mark in "[{") - (mark in "]}"))
            if depth > MAX_DEPTH:
                excess = f"brackets nested deeper than {MAX_DEPTH} levels"
            elif dots >= MAX_KEY_PARTS:
                excess = f"a key of more than {MAX_KEY_PARTS} parts"
        if excess:
            return f"line {text.count(chr(10), 0, token.start()) + 1}: {excess}"
    return None
