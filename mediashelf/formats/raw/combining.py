"""Put a raw sector together, byte by byte, from copies of it that are all damaged.

Where copies agree there is nothing to choose; each run of bytes in which they differ is
right in one of them. The EDC is linear, so each choice is one XOR away from the next. What
it proves counts only when the sector's parity, computed afresh, bears it out: so many
choices of 32 bits alone would be right by chance too often.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import product
from math import prod

from mediashelf.formats.raw.parity import PARITY_SIZE, add_rows, parity_of
from mediashelf.formats.raw.sectors import (
    EDC_OF_FORM_1,
    EDC_OF_FORM_2,
    EDC_OF_MODE_1,
    FORM_2_BIT,
    RAW_SIZE,
    SYNC,
    edc,
)

MOST_CHOICES = 1 << 14
_MOST_WITHOUT_PARITY = 1 << 8  # of form 2, where nothing but the EDC bears witness
_LEAST_AGREEMENT = 104
"""Bytes of parity, of 276, that a copy must have as they are computed; by chance a few do."""
_NEIGHBOURS = 8
"""Runs with fewer equal bytes between them are one: a wrong byte is right by chance at times."""
_PARITY = slice(RAW_SIZE - PARITY_SIZE, RAW_SIZE)


def combine_sector(versions: Sequence[bytes], header: bytes) -> bytes | None:
    """Return the sector that the EDC proves, or None where no choice is proved.

    ``versions`` are 2352 bytes each, ``header`` is the 4-byte header of the place.
    """
    framed = [SYNC + header + version[16:] for version in dict.fromkeys(versions)]
    if len(framed) < 2:
        return None
    if header[3] == 1:
        return _with_parity(framed, EDC_OF_MODE_1, header)
    if all(version[18] & FORM_2_BIT and version[22] & FORM_2_BIT for version in framed):
        return next(_iter_proved(framed, EDC_OF_FORM_2, _MOST_WITHOUT_PARITY), None)
    return _with_parity(framed, EDC_OF_FORM_1, bytes(4))


def _with_parity(framed: Sequence[bytes], covered: slice, header: bytes) -> bytes | None:
    for proved in _iter_proved(framed, covered, MOST_CHOICES):
        data = proved[: covered.stop].ljust(_PARITY.start, b"\0")
        parity = parity_of(header + data[16:])
        agreeing = (
            sum(mine == its for mine, its in zip(parity, version[_PARITY], strict=True))
            for version in framed
        )
        if max(agreeing) >= _LEAST_AGREEMENT:
            return data + parity
    return None


def _iter_proved(framed: Sequence[bytes], covered: slice, most: int) -> Iterator[bytes]:
    """Yield the choices for which the EDC holds, of ``most`` at most."""
    base = framed[0]
    runs = _runs(framed, covered)
    contents = [list(dict.fromkeys(version[run] for version in framed)) for run in runs]
    if prod(map(len, contents)) > most:
        return
    # What a run adds to the EDC of the whole, if another content than the first is there.
    added = [
        [edc(add_rows(base[run], other) + bytes(covered.stop - run.stop)) for other in others]
        for run, others in zip(runs, contents, strict=True)
    ]
    wanted = edc(base[covered])
    for picks in product(*(range(len(others)) for others in contents)):
        found = 0
        for pick, sums in zip(picks, added, strict=True):
            found ^= sums[pick]
        if found == wanted:
            sector = bytearray(base)
            for pick, run, others in zip(picks, runs, contents, strict=True):
                sector[run] = others[pick]
            if any(sector[16 : covered.stop]):
                yield bytes(sector)


def _runs(framed: Sequence[bytes], covered: slice) -> list[slice]:
    """Return where the versions differ, in order."""
    runs: list[slice] = []
    for at in range(16, covered.stop):
        if len({version[at] for version in framed}) == 1:
            continue
        if runs and at - runs[-1].stop < _NEIGHBOURS:
            runs[-1] = slice(runs[-1].start, at + 1)
        else:
            runs.append(slice(at, at + 1))
    return runs
