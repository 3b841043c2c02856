"""Where files begin: few are told by dicts and many by a table, with one answer."""

from __future__ import annotations

import random

import pytest

from mediashelf.formats.entries import Folder
from mediashelf.formats.pairing.places import NO_PLACE
from mediashelf.readability import file_places
from mediashelf.readability.file_places import IS_FOLDER, FilePlaces


def _places(numbers: list[int]) -> FilePlaces:
    """Return the places of entries: those of folders and of empty files stand for these."""
    folder = Folder(
        path="",
        names=[f"F{at}" for at in range(len(numbers))],
        identifiers=[],
        sizes=[0 if number == NO_PLACE else 2048 for number in numbers],
        are_folders=bytes(number == IS_FOLDER for number in numbers),
        lbas=[max(number, 0) for number in numbers],
        extents=None,
        dates=[],
        flags=[],
        record_offsets=[],
    )
    return FilePlaces([folder])


@pytest.mark.parametrize("least", [IS_FOLDER, NO_PLACE, 0])
def test_table_answers_as_dicts_do(monkeypatch: pytest.MonkeyPatch, least: int) -> None:
    chance = random.Random(5)
    for count in (1, 2, 7, 60):
        drawn = [[chance.randrange(least, 40) for _ in range(count)] for _ in range(2)]
        answers = []
        for many in (1_000_000, 1):
            monkeypatch.setattr(file_places, "_MANY", many)
            one, other = map(_places, drawn)
            asked = range(NO_PLACE, 50)
            answers.append(
                (
                    one.shared,
                    list(map(one.finder(), asked)),
                    list(map(one.numbers_at, asked)),
                    one.lacking_in(other),
                    other.lacking_in(one),
                )
            )
        assert answers[0] == answers[1]
        assert answers[0][3] == set(drawn[0]) - set(drawn[1]) - {IS_FOLDER}


def test_empty_tree_has_no_places() -> None:
    nothing = _places([])
    assert not nothing.shared
    assert nothing.numbers_at(5) == []
    assert _places([IS_FOLDER, IS_FOLDER]).lacking_in(nothing) == set()
