"""P and Q parity against an independent Reed-Solomon library, and what it can put right."""

from __future__ import annotations

import random

import pytest
import reedsolo
from hypothesis import given, settings
from hypothesis import strategies as st

from make_raw import (
    encode_form_1,
    flip,
    form_1_image,
    mode_1_image,
    noise,
    spoil,
    with_subchannel,
    without_headers,
)
from mediashelf.formats.raw.correction import ALL_STARTS, LONGEST_BURST, correct_body
from mediashelf.formats.raw.parity import (
    BODY_SIZE,
    P_LANES,
    P_ROWS,
    PARITY_OFFSET,
    Q_LANES,
    Q_PARITY_OFFSET,
    Q_ROWS,
    find_parity_damage,
    p_cell,
    parity_holds,
    parity_of,
    q_cell,
    syndromes,
)
from mediashelf.formats.raw.sectors import SYNC, edc, encode_mode_1

BODY = encode_mode_1(noise(2048), 4711)[12:]


def codec() -> reedsolo.RSCodec:
    # Two parity bytes, first root alpha^0, alpha 2, field polynomial 0x11D (ECMA-130 Annex A).
    return reedsolo.RSCodec(2, fcr=0, prim=0x11D, generator=2)


def p_codewords(body: bytes) -> list[bytes]:
    return [bytes(body[p_cell(row, lane)] for row in range(P_ROWS)) for lane in range(P_LANES)]


def q_codewords(body: bytes) -> list[bytes]:
    return [bytes(body[q_cell(row, lane)] for row in range(Q_ROWS)) for lane in range(Q_LANES)]


def proves(body: bytes) -> bool:
    return edc(SYNC + body[:2056]) == 0


def corrected(body: bytes) -> bytes | None:
    return body if proves(body) and parity_holds(body) else correct_body(body, proves)


@pytest.mark.parametrize(
    "body",
    [BODY, bytes(4) + encode_form_1(noise(2048), 9)[16:], encode_mode_1(b"\xff" * 2048, 0)[12:]],
    ids=["mode 1", "form 1", "all ones"],
)
def test_every_codeword_is_one_of_the_independent_library(body: bytes) -> None:
    checker = codec()
    words = p_codewords(body) + q_codewords(body)
    assert {len(word) for word in words} == {26, 45}
    assert len(words) == 138
    assert all(all(checker.check(word)) for word in words)


def test_library_sees_a_codeword_that_does_not_hold() -> None:
    words = p_codewords(flip(BODY, 1000)) + q_codewords(flip(BODY, 1000))
    assert sum(not all(codec().check(word)) for word in words) == 2


def test_library_computes_the_same_parity() -> None:
    checker = codec()
    for word in p_codewords(BODY):
        assert bytes(checker.encode(word[:24])) == word
    for word in q_codewords(BODY):
        assert bytes(checker.encode(word[:43])) == word


def test_every_byte_is_in_one_codeword_of_each_direction() -> None:
    p_cells = sorted(p_cell(row, lane) for row in range(P_ROWS) for lane in range(P_LANES))
    q_cells = sorted(q_cell(row, lane) for row in range(Q_ROWS) for lane in range(Q_LANES))
    assert p_cells == list(range(Q_PARITY_OFFSET))
    assert q_cells == list(range(BODY_SIZE))


@settings(derandomize=True, deadline=None, max_examples=40)
@given(st.binary(min_size=PARITY_OFFSET, max_size=PARITY_OFFSET))
def test_parity_makes_every_codeword_hold(data: bytes) -> None:
    body = data + parity_of(data)
    assert parity_holds(body)
    assert syndromes(body).damaged_lanes == 0


@settings(derandomize=True, deadline=None, max_examples=60)
@given(st.integers(0, BODY_SIZE - 1), st.integers(1, 255))
def test_one_wrong_byte_damages_its_codewords_only(cell: int, error: int) -> None:
    damaged = bytearray(BODY)
    damaged[cell] ^= error
    # Bytes of the Q parity are in no P codeword.
    assert syndromes(damaged).damaged_lanes == (2 if cell < Q_PARITY_OFFSET else 1)
    assert not parity_holds(damaged)


@pytest.mark.parametrize(
    ("stored", "size", "header_offset", "header"),
    [
        (mode_1_image(noise(40 * 2048)), 2352, 12, True),
        (with_subchannel(mode_1_image(noise(40 * 2048))), 2448, 12, True),
        (form_1_image(noise(40 * 2048)), 2352, 12, False),
        (without_headers(form_1_image(noise(40 * 2048))), 2336, -4, False),
    ],
    ids=["mode 1", "subchannel", "form 1", "no header"],
)
def test_many_sectors_at_once(stored: bytes, size: int, header_offset: int, header: bool) -> None:
    assert find_parity_damage(stored, size, header_offset, header=header) == []
    places = [(0, 2335), (7, 100), (8, 20), (39, 2300)]
    damaged = flip(stored, *(index * size + header_offset + cell for index, cell in places))
    assert find_parity_damage(damaged, size, header_offset, header=header) == [0, 7, 8, 39]


def test_header_of_form_1_is_outside_its_parity() -> None:
    stored = flip(form_1_image(noise(3 * 2048)), 2352 + 13)
    assert find_parity_damage(stored, 2352, 12, header=False) == []
    assert find_parity_damage(stored, 2352, 12, header=True) == [0, 1, 2]


@pytest.mark.parametrize("cell", range(0, BODY_SIZE, 13))
def test_one_wrong_byte_is_put_right(cell: int) -> None:
    assert corrected(flip(BODY, cell)) == BODY


@pytest.mark.parametrize("distance", [1, 2, 43, 86, 88, 86 * 5, 1118, 2000])
def test_two_wrong_bytes_are_put_right(distance: int) -> None:
    # 86 apart is one P codeword, 88 apart one Q codeword, the others neither.
    for first in range(0, BODY_SIZE - distance, 97):
        assert corrected(flip(BODY, first, first + distance)) == BODY


def test_four_bytes_where_two_codewords_of_each_direction_cross() -> None:
    # Every damaged codeword has two wrong bytes: only the crossing gives their places away.
    cells = crossing_cells(2)
    damaged = flip(BODY, *cells)
    assert syndromes(damaged).damaged_lanes == 4
    assert corrected(damaged) == BODY


def test_nine_bytes_where_three_codewords_of_each_direction_cross_are_lost() -> None:
    # Each damaged codeword has three wrong bytes; the code has no more to tell them by.
    damaged = spoiled(crossing_cells(3))
    assert syndromes(damaged).damaged_lanes == 6
    assert corrected(damaged) is None


def crossing_cells(count: int) -> list[int]:
    """Return the data bytes in which ``count`` columns meet ``count`` diagonals."""
    return [
        p_cell((column + diagonal) % P_ROWS, 2 * column)
        for column in (3, 4, 9)[:count]
        for diagonal in (5, 8, 14)[:count]
    ]


def spoiled(cells: list[int], seed: int = 2) -> bytes:
    source, damaged = random.Random(seed), bytearray(BODY)
    for cell in cells:
        damaged[cell] ^= source.randrange(1, 256)
    return bytes(damaged)


def test_crossing_cells_are_what_they_should_be() -> None:
    lanes = [q_cell(row, lane) for lane in (10, 16, 28) for row in (3, 4, 9)]
    assert sorted(lanes) == sorted(crossing_cells(3))


@pytest.mark.parametrize("size", [16, 43, 86, 87, 128, 171, LONGEST_BURST])
def test_burst_is_put_right_wherever_it_starts(size: int) -> None:
    for start in range(0, Q_PARITY_OFFSET - size + 1, 211):
        assert corrected(spoil(BODY, start, size, seed=start)) == BODY
    assert corrected(spoil(BODY, Q_PARITY_OFFSET - size, size)) == BODY


def test_longest_burst_is_two_rows_of_p() -> None:
    assert LONGEST_BURST == 172
    assert len(ALL_STARTS) == 26 * 86 - 172 + 1


def test_burst_of_one_byte_more_is_lost() -> None:
    # 173 bytes in a row put three wrong bytes into one P codeword.
    results = [corrected(spoil(BODY, start, 173, seed=start)) for start in range(0, 1800, 173)]
    assert results == [None] * len(results)


@pytest.mark.parametrize(("size", "tries", "least"), [(5, 60, 60), (15, 60, 60), (30, 60, 58)])
def test_scattered_damage_is_put_right(size: int, tries: int, least: int) -> None:
    source = random.Random(size)
    results = [
        corrected(spoiled(source.sample(range(BODY_SIZE), size), seed=number))
        for number in range(tries)
    ]
    assert sum(result == BODY for result in results) >= least
    assert set(results) <= {BODY, None}, "a wrong result is never given"


def test_noise_is_never_taken_for_a_sector() -> None:
    for seed in range(30):
        assert correct_body(noise(BODY_SIZE, seed), proves) is None


def test_proof_that_believes_everything_is_not_enough() -> None:
    # The parity that was read has to agree as well.
    assert correct_body(noise(BODY_SIZE), lambda body: True) is None
