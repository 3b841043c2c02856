"""Discs that keep to the limits yield no findings, whatever their names; one step over does."""

from __future__ import annotations

import string

from hypothesis import given, settings
from hypothesis import strategies as st

from disc_facts import disc
from mediashelf.readability.check import check_disc
from mediashelf.readability.targets import load_targets
from mediashelf.text import same_case

TARGETS = load_targets()
fixed = settings(derandomize=True, deadline=None, max_examples=150)

D_CHARACTERS = string.ascii_uppercase + string.digits + "_"
DEVICES = {
    name.upper() for target in TARGETS.values() for name in target.limits["reserved_names"].words()
}

short_names = st.builds(
    lambda base, extension: base + ("." + extension if extension else ""),
    st.text(D_CHARACTERS, min_size=1, max_size=8).filter(lambda base: base not in DEVICES),
    st.text(D_CHARACTERS, max_size=3),
)

# Letters of several scripts, and marks that both Joliet and Win32 allow.
LONG_CHARACTERS = string.ascii_letters + string.digits + " _-+=[](){}!#$%&',@^`~äßŁжщ海"
long_names = (
    st.text(LONG_CHARACTERS, min_size=1, max_size=64)
    .map(lambda name: name.rstrip(" "))
    .filter(lambda name: name and name.strip(" ").upper() not in DEVICES)
)
hostile_names = st.text(
    st.characters(exclude_characters="/", exclude_categories=()), min_size=1, max_size=130
)


@fixed
@given(st.lists(short_names, unique=True, max_size=12))
def test_short_names_in_order_suit_every_target(names: list[str]) -> None:
    names = sorted(names, key=lambda name: name.partition(".")[::2])
    facts = disc(iso=dict.fromkeys(names, 10))
    allowed = {"joliet-present"}
    for target in TARGETS.values():
        assert {finding.rule for finding in check_disc(facts, target)} <= allowed


@fixed
@given(st.lists(long_names, unique_by=same_case, max_size=12))
def test_long_names_within_joliet_suit_every_target_that_reads_it(names: list[str]) -> None:
    short = [f"N{number:03}.TXT" for number in range(len(names))]
    facts = disc(iso=dict.fromkeys(short, 10), joliet=dict.fromkeys(names, 10))
    allowed = {"plain-names", "short-name-kept", "tilde-tail"}
    for target in ("win9x", "nt4", "nt5", "nt6"):
        assert {item.rule for item in check_disc(facts, TARGETS[target])} <= allowed
    assert {item.rule for item in check_disc(facts, TARGETS["dos"])} <= {"long-name-seen"}


@fixed
@given(short_names, st.integers(1, 20))
def test_one_character_too_many_in_a_base_is_found(name: str, more: int) -> None:
    base, dot, extension = name.partition(".")
    longer = base.ljust(8, "X") + "X" * more + dot + extension
    found = check_disc(disc(iso={longer: 10}), TARGETS["dos"])
    assert "iso-name-form" in {finding.rule for finding in found}


@fixed
@given(long_names, st.sampled_from('<>:"\\|?*\x00\x1f'), st.integers(0, 64))
def test_a_forbidden_character_is_found_wherever_it_stands(
    name: str, letter: str, place: int
) -> None:
    facts = disc(joliet={name[:place] + letter + name[place:]: 10})
    for target in ("win9x", "nt4", "nt5", "nt6"):
        found = check_disc(facts, TARGETS[target])
        assert "name-characters" in {finding.rule for finding in found}


@fixed
@given(st.lists(hostile_names, max_size=8), st.lists(hostile_names, max_size=8))
def test_any_names_can_be_judged(iso: list[str], joliet: list[str]) -> None:
    """No name makes a rule fail, and every place named is one of the disc's."""
    facts = disc(iso=dict.fromkeys(iso, 10), joliet=dict.fromkeys(joliet, 10))
    places = {"/"} | {entry.path for volume in facts.volumes for entry in volume.entries}
    for target in TARGETS.values():
        for finding in check_disc(facts, target):
            assert finding.where in places
            assert finding.target == target.name
