"""Short codes: clear, distinct, and the same for a disc on every card."""

from __future__ import annotations

import re

from hypothesis import given, settings
from hypothesis import strategies as st

from mediashelf.sessions.manifests.codes import DIGITS, LETTERS, disc_codes

# Characters that people take for each other in print or handwriting (common practice,
# such as the alphabets of vehicle plates and licence keys). Letters and digits are
# never compared with each other: each place of a code has one or the other.
LOOK_ALIKES = [
    *("0O", "OQ", "OD", "1I", "IL", "IJ", "UV", "VW", "VY", "MN", "NH", "CG", "EF", "PR", "BR"),
    *("17", "38", "49", "56", "60", "80", "35", "09"),
]


def test_no_two_characters_of_one_place_are_look_alikes() -> None:
    for one, other in LOOK_ALIKES:
        assert not {one, other} <= set(LETTERS)
        assert not {one, other} <= set(DIGITS)


@settings(derandomize=True, deadline=None)
@given(st.lists(st.text(max_size=12), max_size=99))
def test_codes_are_distinct_and_clear(names: list[str]) -> None:
    codes = disc_codes(names)
    assert len(set(codes)) == len(names)
    assert all(re.fullmatch(f"[{LETTERS}][{DIGITS}][{LETTERS}]", code) for code in codes)


@settings(derandomize=True, deadline=None)
@given(st.lists(st.text(max_size=12), min_size=1, max_size=6))
def test_the_first_disc_has_its_code_whatever_follows(names: list[str]) -> None:
    assert disc_codes(names)[0] == disc_codes(names[:1])[0]
    assert disc_codes([names[0].upper()]) == disc_codes([names[0].upper().casefold()])


def test_all_codes_can_be_given_out() -> None:
    count = len(LETTERS) * len(DIGITS) * len(LETTERS)
    assert len(set(disc_codes(["SAME"] * count))) == count


def test_known_codes_never_change() -> None:
    """Labels on people's shelves say them; the values were computed when codes were made up."""
    assert disc_codes(["KIOSK_SYSTEM", "KIOSKDRV", "SLIDES"]) == ["K4E", "X2C", "Y7H"]
