"""Pages stay small whatever images hold: rows are allotted, long texts are cut in the middle."""

from __future__ import annotations

from mediashelf.text import printable

LONGEST_TEXT = 240
"""Characters of one name or message on a page; more is cut out of its middle."""


class RowAllowance:
    """The rows that a page may still have, shared by all its parts."""

    def __init__(self, rows: int) -> None:
        self._left = rows

    def take(self, wanted: int, at_most: int) -> int:
        """Return how many of ``wanted`` rows one part may have, and count them as used."""
        granted = max(0, min(wanted, at_most, self._left))
        self._left -= granted
        return granted


_ESCAPED = "&<>\"'"  # each takes several characters in HTML


def shorten(text: str, longest: int = LONGEST_TEXT) -> str:
    """Return safe text of at most ``longest`` characters; both ends of a longer one are kept.

    What could steer a terminal or a browser is made visible first, which makes
    texts longer. Texts that are mostly markup are cut shorter.
    """
    safe = printable(text)
    if sum(safe.count(character) for character in _ESCAPED) > longest // 4:
        longest //= 4
    if len(safe) <= longest:
        return safe
    tail = (longest - 1) // 2
    return f"{safe[: longest - 1 - tail]}…{safe[len(safe) - tail :]}"
