"""Votes between copies, sector by sector. Own behaviour: no standard says how copies decide."""

from __future__ import annotations

import pytest

from mediashelf.integrity.mending.values import Piece
from mediashelf.integrity.mending.vote import Ballot, vote_run, vote_size

SECTOR = 2048
DATA, OTHER, ZEROS = b"a" * SECTOR, b"b" * SECTOR, bytes(SECTOR)


def vote(*sectors: bytes | None) -> tuple[bytes, list[Ballot]]:
    """Let copies vote on one sector; None is a copy that does not have it."""
    pieces = [
        Piece(ZEROS, frozenset({0})) if sector is None else Piece(sector) for sector in sectors
    ]
    return vote_run(pieces, SECTOR)


def test_two_of_three_decide() -> None:
    data, ballots = vote(OTHER, DATA, DATA)
    assert data == DATA
    assert ballots == [Ballot(0, True, (1, 2), (0,))]


def test_half_is_not_a_majority() -> None:
    data, ballots = vote(DATA, DATA, OTHER, OTHER)
    assert data == DATA
    assert ballots == [Ballot(0, False, (0, 1), (2, 3))]


def test_one_copy_alone_decides_nothing() -> None:
    assert vote(DATA) == (DATA, [Ballot(0, False, (0,))])
    assert vote(None, DATA, None) == (DATA, [Ballot(0, False, (1,))])
    assert vote(DATA, None, None) == (DATA, [Ballot(0, False, (0,))])


def test_a_sector_of_no_copy_is_zeros() -> None:
    assert vote(None, None) == (ZEROS, [Ballot(0, False, ())])


def test_what_no_copy_has_keeps_its_room_among_the_rest() -> None:
    pieces = [
        Piece(DATA + ZEROS + OTHER, frozenset({1})),
        Piece(DATA + ZEROS + OTHER, frozenset({1})),
    ]
    data, ballots = vote_run(pieces, 3 * SECTOR)
    assert data == DATA + ZEROS + OTHER
    assert ballots == [Ballot(1, False, ())]


@pytest.mark.parametrize("order", [(ZEROS, DATA), (DATA, ZEROS)])
def test_without_a_majority_data_come_before_zeros(order: tuple[bytes, bytes]) -> None:
    data, ballots = vote(*order)
    assert data == DATA
    assert (ballots[0].is_decided, ballots[0].zeros_won) == (False, False)


def test_without_a_majority_data_come_before_more_zeros() -> None:
    data, ballots = vote(ZEROS, ZEROS, OTHER, DATA)
    assert data == OTHER
    assert ballots == [Ballot(0, False, (2,), (0, 1, 3))]


def test_zeros_that_win_are_told_only_where_another_holds_data() -> None:
    assert vote(ZEROS, ZEROS, DATA) == (ZEROS, [Ballot(0, True, (0, 1), (2,), True)])
    assert vote(ZEROS, ZEROS, ZEROS) == (ZEROS, [])


def test_what_the_image_lacks_is_a_question_even_where_the_others_agree() -> None:
    assert vote(None, DATA, DATA) == (DATA, [Ballot(0, True, (1, 2))])


def test_only_differing_sectors_are_in_question_and_the_last_may_be_short() -> None:
    whole = DATA + DATA + b"end"
    pieces = [Piece(whole), Piece(DATA + OTHER + b"end"), Piece(whole)]
    assert vote_run(pieces, len(whole)) == (whole, [Ballot(1, True, (0, 2), (1,))])


@pytest.mark.parametrize(
    ("sizes", "size", "is_decided"),
    [
        ([5], 5, True),  # nobody else to ask
        ([5, 6], 6, False),
        ([6, 5], 6, False),
        ([5, 5, 6], 5, True),
        ([5, 5, 6, 6], 6, False),
        ([5, 6, 7], 7, False),
        ([5, 5, 6, 7], 7, False),
        ([5, 5], 5, True),
    ],
)
def test_the_size_is_that_of_most_or_the_largest(
    sizes: list[int], size: int, is_decided: bool
) -> None:
    assert vote_size(sizes) == (size, is_decided)
