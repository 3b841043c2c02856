"""A short code for every disc: read from a small display, said aloud, written by hand.

``K7C``: a letter, a digit, a letter. Letters and digits that are taken for each
other, printed or written, are left out, and a letter never stands where a digit
could. The code comes from the disc's name alone, so that a disc has the same code
on every card, unless two discs of one session would share it.
"""

from __future__ import annotations

import unicodedata
import zlib
from collections.abc import Sequence

LETTERS = "ACEHKMPTXY"
DIGITS = "23467"

_COUNT = len(LETTERS) * len(DIGITS) * len(LETTERS)


def disc_codes(names: Sequence[str]) -> list[str]:
    """Return a code for each disc's name, all different; at most 500 names.

    Equal names get different codes. Upper and lower case count as equal.
    """
    taken: set[int] = set()
    codes = []
    for name in names:
        plain = unicodedata.normalize("NFC", name).casefold()
        number = zlib.crc32(plain.encode("utf-8", "surrogatepass")) % _COUNT
        while number in taken:
            number = (number + 1) % _COUNT
        taken.add(number)
        codes.append(_code(number))
    return codes


def _code(number: int) -> str:
    number, last = divmod(number, len(LETTERS))
    first, middle = divmod(number, len(DIGITS))
    return LETTERS[first] + DIGITS[middle] + LETTERS[last]
