"""P and Q parity of a raw sector: a Reed-Solomon product code over GF(2^8).

A *body* here is a sector without its sync: 2340 bytes of header, data, EDC,
172 bytes of P and 104 bytes of Q. It is 1170 words of two bytes, and the code
works on the even and on the odd bytes alike. Words 0 to 1117 are 26 rows of
43. Each of the 43 columns is a P codeword RS(26,24); each of 26 diagonals, with
two more words from after the rows, is a Q codeword RS(45,43). Field
x^8 + x^4 + x^3 + x^2 + 1, alpha = 2; generator roots alpha^0 and alpha^1.

A codeword is known by its *lane*: P has 86 (column x byte of the word), Q has 52.
Row m of all lanes is one run of bytes, which :meth:`bytes.translate` multiplies
and an exclusive-or of integers adds at once.

Source: ECMA-130 Annex A, which was not at hand. The layout was confirmed by
computing the parity of more than 500 sectors that others had made.
"""

from __future__ import annotations

from operator import itemgetter
from typing import NamedTuple

BODY_SIZE = 2340
PARITY_SIZE = 276
PARITY_OFFSET = BODY_SIZE - PARITY_SIZE

P_ROWS, P_LANES = 26, 86  # rows 24 and 25 are the P parity
Q_ROWS, Q_LANES = 45, 52  # rows 43 and 44 are the Q parity
Q_PARITY_OFFSET = P_ROWS * P_LANES
_P_SIZE = 2 * P_LANES

EXP = [1]
"""Powers of alpha, two cycles long, so that a sum of two logarithms is an index."""
for _ in range(509):
    EXP.append(EXP[-1] << 1 ^ (0x11D if EXP[-1] & 0x80 else 0))
LOG = [0] * 256
"""Logarithms to the base alpha; that of 0 does not exist."""
for _exponent in range(255):
    LOG[EXP[_exponent]] = _exponent


def times_alpha_to(exponent: int) -> bytes:
    """Return the table for :meth:`bytes.translate` that multiplies by alpha^exponent."""
    return bytes([0, *(EXP[(LOG[value] + exponent) % 255] for value in range(1, 256))])


_TIMES = [times_alpha_to(exponent) for exponent in range(Q_ROWS)]
DIVIDED_BY_ALPHA_PLUS_1 = times_alpha_to(255 - LOG[3])
"""Table for :meth:`bytes.translate`: alpha + 1 is 3."""


def p_cell(row: int, lane: int) -> int:
    """Return where byte ``row`` of a P codeword is in a body."""
    return row * P_LANES + lane


def q_cell(row: int, lane: int) -> int:
    """Return where byte ``row`` of a Q codeword is in a body."""
    if row >= Q_ROWS - 2:
        return Q_PARITY_OFFSET + (row - (Q_ROWS - 2)) * Q_LANES + lane
    return 2 * ((44 * row + 43 * (lane // 2)) % (43 * P_ROWS)) + lane % 2


_Q_CELLS = [q_cell(row, lane) for row in range(Q_ROWS) for lane in range(Q_LANES)]
_gather_q = itemgetter(*_Q_CELLS)
_CODEWORDS = [[p_cell(row, lane) for row in range(P_ROWS)] for lane in range(P_LANES)] + [
    [q_cell(row, lane) for row in range(Q_ROWS)] for lane in range(Q_LANES)
]


class Syndromes(NamedTuple):
    """What the two check equations leave of each lane: two zeros where the codeword holds."""

    p0: bytes
    p1: bytes
    q0: bytes
    q1: bytes

    @property
    def damaged_lanes(self) -> int:
        """How many of the 138 codewords do not hold."""
        pairs = zip(self.p0 + self.q0, self.p1 + self.q1, strict=True)
        return sum(first | second > 0 for first, second in pairs)


def syndromes(body: bytes | bytearray) -> Syndromes:
    """Return the syndromes of a body of 2340 bytes."""
    return Syndromes(
        *_check(bytes(body[:Q_PARITY_OFFSET]), P_ROWS, P_LANES),
        *_check(bytes(_gather_q(body)), Q_ROWS, Q_LANES),
    )


def parity_holds(body: bytes | bytearray) -> bool:
    """Tell whether every P and Q codeword of a body of 2340 bytes holds."""
    return not any(map(any, syndromes(body)))


def parity_of(data: bytes) -> bytes:
    """Return the 276 bytes of P and Q for the first 2064 bytes of a body."""
    p = _solve(*_check(data + bytes(_P_SIZE), P_ROWS, P_LANES))
    body = data + p + bytes(PARITY_SIZE - _P_SIZE)
    return p + _solve(*_check(bytes(_gather_q(body)), Q_ROWS, Q_LANES))


def find_parity_damage(stored: bytes, size: int, header_offset: int, *, header: bool) -> list[int]:
    """Return the indexes of the sectors in ``stored`` whose parity does not hold.

    ``stored`` holds whole sectors of ``size`` bytes; ``header_offset`` is where
    the 4-byte header is in each (-4 where it is not stored). With
    ``header=False`` it counts as zeros, as mode 2 form 1 has it. Many sectors are
    checked at once: a vector here is one byte of every sector.
    """
    count = len(stored) // size
    vectors = [
        bytes(count) if cell < 4 and not header else stored[header_offset + cell :: size]
        for cell in range(BODY_SIZE)
    ]
    numbers = [int.from_bytes(vector, "little") for vector in vectors]
    damaged = 0
    for cells in _CODEWORDS:
        plain = weighted = 0
        for cell, table in zip(reversed(cells), _TIMES, strict=False):
            plain ^= numbers[cell]
            weighted ^= int.from_bytes(vectors[cell].translate(table), "little")
        damaged |= plain | weighted
    return [index for index, value in enumerate(damaged.to_bytes(count, "little")) if value]


def _check(cells: bytes, rows: int, lanes: int) -> tuple[bytes, bytes]:
    """Return two syndromes of every lane: the sum of its rows, plain and times alpha^distance."""
    plain = weighted = 0
    for row in range(rows):
        values = cells[row * lanes : (row + 1) * lanes]
        plain ^= int.from_bytes(values, "little")
        weighted ^= int.from_bytes(values.translate(_TIMES[rows - 1 - row]), "little")
    return plain.to_bytes(lanes, "little"), weighted.to_bytes(lanes, "little")


def _solve(plain: bytes, weighted: bytes) -> bytes:
    """Return both parity rows, given the syndromes of lanes whose parity was taken as zero."""
    # first + second = plain and alpha * first + second = weighted
    first = add_rows(plain, weighted).translate(DIVIDED_BY_ALPHA_PLUS_1)
    return first + add_rows(first, plain)


def add_rows(left: bytes, right: bytes) -> bytes:
    """Return the sum in the field of two equally long rows: what they differ in, bit by bit."""
    total = int.from_bytes(left, "little") ^ int.from_bytes(right, "little")
    return total.to_bytes(len(left), "little")
