"""Tell from a file's first bytes how it stores sectors, with no sheet to say so."""

from __future__ import annotations

from collections import Counter
from functools import cache

from mediashelf.formats.raw.sectors import (
    EDC_OF_MODE_1,
    FORM_2_BIT,
    HEADER,
    LAYOUTS,
    RAW_SIZE,
    SYNC,
    SectorLayout,
    edc,
)
from mediashelf.formats.volume import SECTOR_SIZE

HEAD_SIZE = 64 * 2448
"""How many of a file's first bytes are enough to judge by."""

_DESCRIPTOR = 16 * SECTOR_SIZE  # ECMA-119 6.2.1: descriptors start at sector 16
_STANDARD_IDENTIFIERS = (b"CD001", b"BEA01", b"NSR02", b"NSR03")


def detect_layout(head: bytes) -> SectorLayout | None:
    """Return how sectors are stored, judged by :data:`HEAD_SIZE` bytes, or None.

    None means that no data sectors are seen: audio, scrambled sectors, or
    something else. A file of 2048-byte sectors is recognised by its descriptors.
    Single damaged sectors do not mislead it.
    """
    if head[_DESCRIPTOR + 1 : _DESCRIPTOR + 6] in _STANDARD_IDENTIFIERS:
        return LAYOUTS["MODE1/2048"]
    return _detect_by_sync(head) or _detect_by_subheader(head)


def _detect_by_sync(head: bytes) -> SectorLayout | None:
    found: Counter[str] = Counter()
    for size in (RAW_SIZE, RAW_SIZE + 96):
        starts = range(0, max(len(head) - 15, 0), size)
        modes = Counter(head[start + 15] for start in starts if head.startswith(SYNC, start))
        for mode in (1, 2):
            # The first sector is at 0 for either size and proves neither.
            if modes[mode] > (len(starts) > 1):
                found[f"MODE{mode}/{size}"] = modes[mode]
    return LAYOUTS[found.most_common(1)[0][0]] if found else None


def _detect_by_subheader(head: bytes) -> SectorLayout | None:
    layout = LAYOUTS["MODE2/2336"]
    starts = range(0, len(head) - layout.size + 1, layout.size)
    agreeing = sum(_is_headless(head[start : start + layout.size]) for start in starts)
    return layout if agreeing * 2 > len(starts) else None


def _is_headless(sector: bytes) -> bool:
    """Tell whether 2336 bytes are a sector of mode 2 without its sync and header."""
    if sector[0:4] != sector[4:8]:
        return False
    covered = sector if sector[2] & FORM_2_BIT else sector[:2060]
    # The EDC of zeros is 0, so zeros prove nothing.
    return any(covered) and edc(covered) == 0


@cache
def _scrambler() -> int:
    """Return what bytes 12 to 2351 of a sector are scrambled with on a disc, as one number.

    A shift register x^15 + x + 1, preset to 1, lowest bit first. Computed from the
    polynomial, which is from memory; a scrambled sector proves it by its EDC.
    """
    register, sequence = 1, bytearray()
    for _ in range(RAW_SIZE - len(SYNC)):
        value = 0
        for bit in range(8):
            value |= (register & 1) << bit
            register = register >> 1 | ((register ^ register >> 1) & 1) << 14
        sequence.append(value)
    return int.from_bytes(sequence, "little")


def scramble(sector: bytes) -> bytes:
    """Return a raw sector as it is scrambled on a disc, or the plain one of a scrambled sector."""
    scrambled = int.from_bytes(sector[12:RAW_SIZE], "little") ^ _scrambler()
    return sector[:12] + scrambled.to_bytes(RAW_SIZE - 12, "little")


def begins_scrambled(head: bytes) -> bool:
    """Tell whether the first sector of a track of mode 1, or the second, is still scrambled."""
    return any(_is_scrambled(head[start:]) for start in (0, RAW_SIZE))


def _is_scrambled(sector: bytes) -> bool:
    """Tell by its EDC."""
    if len(sector) < RAW_SIZE or not sector.startswith(SYNC):
        return False
    plain = scramble(sector[:RAW_SIZE])
    return plain[HEADER][3] == 1 and edc(plain[EDC_OF_MODE_1]) == 0
