"""Names for a disc: they never collide, always fit, and depend on nothing but the set."""

from __future__ import annotations

import random
import re
import unicodedata

from hypothesis import given, settings
from hypothesis import strategies as st

from mediashelf.building.naming.characters import ascii_text
from mediashelf.building.naming.names import (
    HostName,
    assign_long_names,
    assign_short_names,
    iso_label,
    long_label,
)
from strategies import host_names

# ECMA-119 7.4.1, 10.1: d-characters, at most eight and three, directories eight.
LEVEL_1_FILE = re.compile(r"[A-Z0-9_]{1,8}(\.[A-Z0-9_]{1,3})?")
LEVEL_1_DIRECTORY = re.compile(r"[A-Z0-9_]{1,8}")
# DOS: Microsoft KB Q74496; Win32: "Naming Files, Paths, and Namespaces".
DEVICE = re.compile(r"(CON|PRN|AUX|NUL|CLOCK\$|(COM|LPT)[1-9¹²³]) *(\..*)?", re.IGNORECASE)

folders = st.lists(st.builds(HostName, host_names(), st.booleans()), unique=True, max_size=60)
checked = settings(derandomize=True, deadline=None, max_examples=300)


def one_to_one_upper(name: str) -> str:
    """Capitals as file systems compare them: one character for one."""
    return "".join(
        character.upper() if len(character.upper()) == 1 else character for character in name
    )


@given(folders)
@checked
def test_short_names_are_distinct_and_fit_level_1(names: list[HostName]) -> None:
    short = assign_short_names(names)
    assert len(set(short.values())) == len(names)
    for host, name in short.items():
        assert (LEVEL_1_DIRECTORY if host.is_folder else LEVEL_1_FILE).fullmatch(name), name
        assert not DEVICE.fullmatch(name)


@given(folders)
@checked
def test_long_names_are_distinct_without_case_and_fit_joliet(names: list[HostName]) -> None:
    long = assign_long_names(names)
    assert len({one_to_one_upper(name) for name in long.values()}) == len(names)
    for name in long.values():
        assert 1 <= len(name.encode("utf-16-be")) <= 128
        # Forbidden by Joliet ("Allowed Character Set") or by Win32.
        assert not re.search(r'[\x00-\x1f*/:;?\\<>"|]', name)
        assert all(ord(character) <= 0xFFFF for character in name)
        assert not name.endswith((" ", "."))
        assert unicodedata.is_normalized("NFC", name)
        assert not DEVICE.fullmatch(name)


@given(folders, st.integers())
@checked
def test_the_order_of_a_listing_never_matters(names: list[HostName], seed: int) -> None:
    shuffled = random.Random(seed).sample(names, len(names))
    assert assign_short_names(shuffled) == assign_short_names(names)
    assert assign_long_names(shuffled) == assign_long_names(names)


@given(folders)
@checked
def test_names_that_fit_are_kept(names: list[HostName]) -> None:
    short, long = assign_short_names(names), assign_long_names(names)
    for host in names:
        fits = (LEVEL_1_DIRECTORY if host.is_folder else LEVEL_1_FILE).fullmatch(host.name)
        if fits and not DEVICE.fullmatch(host.name):
            rivals = [other for other in names if one_to_one_upper(other.name) == host.name]
            assert len(rivals) > 1 or short[host] == long[host] == host.name


@given(folders)
@checked
def test_names_given_to_others_are_left_alone(names: list[HostName]) -> None:
    taken = set(assign_short_names(names).values())
    own = HostName("INDEX.TXT")
    assert assign_short_names([own], taken=taken)[own] not in taken


@given(host_names())
@checked
def test_labels_and_plain_text_fit(text: str) -> None:
    assert re.fullmatch(r"[A-Z0-9_]{1,32}", iso_label(text))
    assert 1 <= len(long_label(text).encode("utf-16-be")) <= 32
    assert re.fullmatch(r"[ -~]*", ascii_text(text))
