"""Put right a damaged sector with its P and Q parity; the caller proves the result.

Three means, in this order:

1. Codewords with one wrong byte, in turns along P and along Q, until nothing
   changes. Scattered damage falls to this.
2. When that is stuck and two lanes of one direction are damaged, these cross every
   codeword of the other direction in two known places, and two wrong bytes in
   known places can be solved.
3. A burst that touches no P codeword more than twice: up to 172 bytes in a row,
   wherever it starts. Each possible start has exactly one solution, so every start
   is tried.

A solution counts only when the caller's proof holds (the EDC, 32 bits) and also the
parity that was read bears it out, far beyond chance.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

from mediashelf.formats.raw.parity import (
    DIVIDED_BY_ALPHA_PLUS_1,
    EXP,
    LOG,
    P_LANES,
    P_ROWS,
    PARITY_OFFSET,
    PARITY_SIZE,
    Q_PARITY_OFFSET,
    Q_ROWS,
    Syndromes,
    add_rows,
    p_cell,
    parity_holds,
    parity_of,
    q_cell,
    syndromes,
    times_alpha_to,
)

LONGEST_BURST = 2 * P_LANES
"""Every run of so many wrong bytes in the 2236 bytes that P covers can be solved."""

ALL_STARTS = range(Q_PARITY_OFFSET - LONGEST_BURST + 1)

_LEAST_AGREEMENT = PARITY_SIZE - LONGEST_BURST
"""Bytes of parity, of 276, that agree with what was read; with noise one or two do."""

_PASSES_WITHOUT_GAIN = 4
_HOPELESS_LANES = 120
"""Of 138; what turns can still put right damages fewer after the first pass."""

_Cells = Callable[[int, int], int]


def correct_body(
    body: bytes, proves: Callable[[bytes], bool], *, burst_starts: range = ALL_STARTS
) -> bytes | None:
    """Return the body put right, with fresh parity, or None when it is beyond the code.

    ``body`` is a sector without its sync, 2340 bytes; ``proves`` judges a
    candidate by other means than the parity. ``burst_starts`` are the places
    where a burst of :data:`LONGEST_BURST` bytes may start.
    """
    before = syndromes(body)
    for along_p in (True, False):
        for candidate in _by_turns(body, before, along_p=along_p):
            if proves(candidate):
                data = candidate[:PARITY_OFFSET]
                parity = parity_of(data)
                if add_rows(parity, body[PARITY_OFFSET:]).count(0) >= _LEAST_AGREEMENT:
                    return data + parity
    for candidate in _bursts(body, before, burst_starts):
        # P holds in each of them, so only Q bears witness.
        if proves(candidate) and parity_holds(candidate):
            return candidate
    return None


def _by_turns(body: bytes, before: Syndromes, *, along_p: bool) -> Iterator[bytes]:
    """Yield the body after each pass that changed it; ``along_p`` is the direction to start in."""
    work, now = bytearray(body), before
    fewest, passes_without_gain, idle = now.damaged_lanes, 0, 0
    while fewest and passes_without_gain < _PASSES_WITHOUT_GAIN:
        changed = _correct_single(work, now, along_p=along_p)
        along_p = not along_p
        if not changed:
            idle += 1
            if idle < 2:
                continue
            if not (
                _correct_crossed(work, now, along_p) or _correct_crossed(work, now, not along_p)
            ):
                return
        idle = 0
        yield bytes(work)
        now = syndromes(work)
        damaged = now.damaged_lanes
        passes_without_gain = 0 if damaged < fewest else passes_without_gain + 1
        fewest = min(damaged, fewest)
        if damaged > _HOPELESS_LANES:
            return


def _correct_single(work: bytearray, now: Syndromes, *, along_p: bool) -> bool:
    """Take each damaged codeword to have one wrong byte, where that is possible."""
    plain, weighted, rows, cell = _direction(now, along_p)
    changed = False
    for lane, (error, product) in enumerate(zip(plain, weighted, strict=True)):
        if error and product:
            row = rows - 1 - (LOG[product] - LOG[error]) % 255
            if row >= 0:
                work[cell(row, lane)] ^= error
                changed = True
    return changed


def _correct_crossed(work: bytearray, now: Syndromes, along_p: bool) -> bool:
    """Solve each damaged codeword of one direction where two damaged ones of the other cross it."""
    plain, weighted, rows, cell = _direction(now, along_p)
    other_plain, other_weighted, _, _ = _direction(now, not along_p)
    changed = False
    for byte in (0, 1):
        crossing = [
            lane // 2
            for lane in range(byte, len(other_plain), 2)
            if other_plain[lane] or other_weighted[lane]
        ]
        if len(crossing) != 2:
            continue
        for lane in range(byte, len(plain), 2):
            if not (plain[lane] or weighted[lane]):
                continue
            # Diagonal n meets column m in row (m + n) mod 26 of P, and in row m of Q.
            places = [(lane // 2 + n) % P_ROWS for n in crossing] if along_p else crossing
            errors = _solve_two(plain[lane], weighted[lane], *(rows - 1 - row for row in places))
            for row, error in zip(places, errors, strict=True):
                work[cell(row, lane)] ^= error
            changed = True
    return changed


def _direction(now: Syndromes, along_p: bool) -> tuple[bytes, bytes, int, _Cells]:
    if along_p:
        return now.p0, now.p1, P_ROWS, p_cell
    return now.q0, now.q1, Q_ROWS, q_cell


def _solve_two(plain: int, weighted: int, first: int, second: int) -> tuple[int, int]:
    """Return two wrong bytes' errors from both syndromes and the places' exponents."""
    # e1 + e2 = plain and e1 alpha^first + e2 alpha^second = weighted
    dividend = weighted ^ (EXP[LOG[plain] + second] if plain else 0)
    divisor = EXP[first] ^ EXP[second]
    error = EXP[(LOG[dividend] - LOG[divisor]) % 255] if dividend else 0
    return error, plain ^ error


def _bursts(body: bytes, before: Syndromes, starts: range) -> Iterator[bytes]:
    """Yield for each start the only body that differs in 172 bytes from there and satisfies P."""
    solved = [_solve_two_rows(body, before, row) for row in range(P_ROWS - 1)] + [(b"", b"")]
    for start in starts:
        row, lane = divmod(start, P_LANES)
        # Lanes from the start on are hit in this row and the next, the others one row later.
        upper, lower = solved[row], solved[row + 1]
        yield b"".join(
            (
                body[:start],
                upper[0][lane:],
                lower[0][:lane],
                upper[1][lane:],
                lower[1][:lane],
                body[start + LONGEST_BURST :],
            )
        )


def _solve_two_rows(body: bytes, before: Syndromes, row: int) -> tuple[bytes, bytes]:
    """Return this row of P and the next as they must be if nothing else is wrong."""
    # e1 + e2 = p0 and (alpha e1 + e2) alpha^d = p1, so (alpha + 1) e1 = p0 + p1 / alpha^d
    distance = P_ROWS - 2 - row
    quotient = before.p1.translate(times_alpha_to(-distance))
    upper = add_rows(before.p0, quotient).translate(DIVIDED_BY_ALPHA_PLUS_1)
    start, middle, end = (p_cell(number, 0) for number in (row, row + 1, row + 2))
    return add_rows(body[start:middle], upper), add_rows(
        body[middle:end], add_rows(upper, before.p0)
    )
