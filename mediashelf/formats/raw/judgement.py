"""Judge one raw sector by its sync, header, EDC and parity, and put right what can be."""

from __future__ import annotations

from collections.abc import Iterator

from msgspec import Struct
from msgspec.structs import replace

from mediashelf.formats.raw.correction import ALL_STARTS, LONGEST_BURST, correct_body
from mediashelf.formats.raw.parity import parity_holds
from mediashelf.formats.raw.sectors import (
    EDC_OF_FORM_1,
    EDC_OF_FORM_2,
    EDC_OF_MODE_1,
    FORM_2_BIT,
    HEADER,
    SUBHEADER,
    SYNC,
    SectorKind,
    edc,
    parse_header_lba,
)
from mediashelf.formats.raw.verdicts import SectorVerdict
from mediashelf.formats.volume import SECTOR_SIZE
from mediashelf.text import count_text

_ZEROS = slice(2068, 2076)  # of mode 1
NO_CHECK = "no check recorded"
"""The reason of sectors whose EDC and parity fields are zeros in the whole track."""

_NO_HEADER = bytes(4)  # the parity of mode 2 form 1 takes the header as zeros


class JudgedSector(Struct, frozen=True):
    """A verdict and the sector that goes with it.

    ``sector`` has 2352 bytes: as read, or put right. ``changed`` are the offsets in
    it that were put right. ``kind`` is only likely where the verdict is lost.
    ``reason`` says why in a few words; it is empty for a good sector.
    """

    verdict: SectorVerdict
    kind: SectorKind
    sector: bytes
    reason: str = ""
    changed: tuple[int, ...] = ()

    @property
    def user_data(self) -> bytes:
        """2048 bytes: of form 2 the first of its 2324, of a lost sector what is there."""
        start = self.kind.data_offset
        return self.sector[start : start + SECTOR_SIZE]


def judge_sector(sector: bytes, header: bytes, *, lacks_checks: bool = False) -> JudgedSector:
    """Return what ``sector`` (2352 bytes) is, given the 4-byte header that belongs in its place.

    The header's mode is the one that the track should have; a sector that proves
    to be of another mode is judged by its own. ``lacks_checks`` says that the track was
    written without EDC and parity: then zeros in their place are not damage.
    """
    unchecked = kind_without_check(sector, header) if lacks_checks else None
    if unchecked is not None:
        return JudgedSector(SectorVerdict.UNCHECKED, unchecked, sector, NO_CHECK)
    if not any(sector[16:]):
        return _judge_zeros(sector, header)
    for framed in _framed(sector, header):
        kind = _proved_kind(framed)
        if kind is not None:
            return _with_address(sector, framed, kind, header)
    if _is_unproved_form_2(sector, header):
        return _unproved(_with_address(sector, SYNC + sector[12:], SectorKind.FORM_2, header))
    if sector.count(sector[16]) < len(sector) - 16:
        for kind, corrected in _corrections(sector, header):
            return _with_address(sector, corrected, kind, header)
    return _lost(sector, header)


def _judge_zeros(sector: bytes, header: bytes) -> JudgedSector:
    # The EDC of zeros is zero, so it holds in a hole of a file too.
    mode = sector[15]
    is_framed = sector.startswith(SYNC) and sector[12:15] == header[:3]
    if is_framed and mode == 0:
        return JudgedSector(SectorVerdict.GOOD, SectorKind.EMPTY, sector)
    if is_framed and mode == 2:
        reason = "only zeros, so the EDC proves nothing"
        return JudgedSector(SectorVerdict.UNCHECKED, SectorKind.FORM_1, sector, reason)
    return JudgedSector(SectorVerdict.LOST, _likely_kind(sector, header), sector, "only zeros")


def _framed(sector: bytes, header: bytes) -> Iterator[bytes]:
    """Yield the sector with its sync restored, then with its header as well."""
    yield SYNC + sector[12:]
    yield SYNC + header + sector[16:]


def _proved_kind(sector: bytes) -> SectorKind | None:
    """Return the kind for which the EDC holds, or None."""
    mode = sector[15]
    if mode == 1 and _holds(sector[EDC_OF_MODE_1]):
        return SectorKind.MODE_1
    if mode == 2 and _holds(sector[EDC_OF_FORM_1]):
        return SectorKind.FORM_1
    if mode == 2 and _holds(sector[EDC_OF_FORM_2]):
        return SectorKind.FORM_2
    return None


def has_good_edc(sector: bytes, header: bytes) -> bool:
    """Tell whether a sector's EDC proves it, with sync and header as they are or as they must be.

    Much cheaper than a verdict on a damaged one: nothing is put right.
    """
    return any(_proved_kind(framed) is not None for framed in _framed(sector, header))


def _holds(covered: bytes) -> bool:
    """Tell whether bytes that end in their EDC are proved by it; zeros never are."""
    return edc(covered) == 0 and any(covered)


def kind_without_check(sector: bytes, header: bytes) -> SectorKind | None:
    """Return the kind of a sector in its place whose EDC and parity fields are zeros, or None."""
    if not sector.startswith(SYNC + header):
        return None
    if header[3] == 1:
        return None if any(sector[EDC_OF_MODE_1.stop - 4 :]) else SectorKind.MODE_1
    is_form_1 = sector[16:20] == sector[20:24] and not sector[18] & FORM_2_BIT
    return SectorKind.FORM_1 if is_form_1 and not any(sector[EDC_OF_FORM_1.stop - 4 :]) else None


def _is_unproved_form_2(sector: bytes, header: bytes) -> bool:
    """Tell whether this says of itself that it is form 2, and has no EDC."""
    return (
        (sector.startswith(SYNC) or sector[HEADER] == header)
        and sector[15] == 2
        and sector[16:20] == sector[20:24]
        and sector[18] & FORM_2_BIT > 0
        and not any(sector[2348:])
    )


def _unproved(judged: JudgedSector) -> JudgedSector:
    if judged.verdict is SectorVerdict.MISPLACED:
        return judged
    return replace(judged, verdict=SectorVerdict.UNCHECKED, reason="form 2 without EDC")


def _with_address(sector: bytes, repaired: bytes, kind: SectorKind, header: bytes) -> JudgedSector:
    """Return the verdict on a sector whose data are right, by where it says that it belongs."""
    reason = ""
    if repaired[12:15] != header[:3]:
        lba = parse_header_lba(repaired[HEADER])
        if lba is None and kind is not SectorKind.MODE_1:
            # Outside mode 1 the EDC does not cover the header: this is plain damage to it.
            repaired = repaired[:12] + header[:3] + repaired[15:]
        else:
            reason = _shift_text(lba, parse_header_lba(header))
    changed = tuple(
        offset for offset, (old, new) in enumerate(zip(sector, repaired, strict=True)) if old != new
    )
    if reason:
        return JudgedSector(SectorVerdict.MISPLACED, kind, repaired, reason, changed)
    if changed:
        return JudgedSector(SectorVerdict.CORRECTED, kind, repaired, changed=changed)
    return JudgedSector(SectorVerdict.GOOD, kind, repaired)


def _shift_text(lba: int | None, expected: int | None) -> str:
    # The shift is the same along a run of sectors, so that a run can be told as one.
    if lba is None or expected is None:
        return "the header has no valid address"
    count = count_text(abs(lba - expected), "sector")
    return f"its address is that of {count} further {'on' if lba > expected else 'back'}"


def _corrections(sector: bytes, header: bytes) -> Iterator[tuple[SectorKind, bytes]]:
    """Yield what the parity makes of the sector, each with a good EDC."""
    modes = {sector[15], header[3]}
    if 1 in modes:
        starts = _burst_starts(sector, is_whole=not any(sector[_ZEROS]), fixed=_ZEROS)
        as_read = sector[HEADER] if sector.startswith(SYNC) else header
        for first in dict.fromkeys((header, as_read)):
            body = correct_body(first + sector[16:], _proves_mode_1, burst_starts=starts)
            if body is not None:
                yield SectorKind.MODE_1, SYNC + body
    if 2 in modes:
        is_whole = sector[16:20] == sector[20:24]
        starts = _burst_starts(sector, is_whole=is_whole, fixed=SUBHEADER)
        body = correct_body(_NO_HEADER + sector[16:], _proves_form_1, burst_starts=starts)
        if body is not None:
            yield SectorKind.FORM_1, SYNC + sector[12:15] + b"\x02" + body[4:]


def _burst_starts(sector: bytes, *, is_whole: bool, fixed: slice) -> range:
    """Return where a long burst may start in the body, as it must explain all that is wrong.

    ``fixed`` is the part of the sector in which wrong bytes show by themselves.
    """
    if not sector.startswith(SYNC):
        return ALL_STARTS[:1]  # it came in from the sync
    if not is_whole:
        first, last = fixed.start - 12, fixed.stop - 12
        return ALL_STARTS[max(first - LONGEST_BURST + 1, 0) : last]
    return ALL_STARTS


def _proves_mode_1(body: bytes) -> bool:
    return _holds(SYNC + body[: EDC_OF_MODE_1.stop - 12])


def _proves_form_1(body: bytes) -> bool:
    return _holds(body[4 : EDC_OF_FORM_1.stop - 12])


def _lost(sector: bytes, header: bytes) -> JudgedSector:
    kind = _likely_kind(sector, header)
    if sector.count(sector[16]) >= len(sector) - 16:
        reason = f"every byte is {sector[16]:#04x}"
    elif not sector.startswith(SYNC) and sector[12:15] != header[:3]:
        reason = "no sync and no valid address: not a sector"
    elif kind is SectorKind.FORM_2:
        reason = "EDC wrong, and form 2 has no parity"
    elif parity_holds((sector[HEADER] if kind is SectorKind.MODE_1 else _NO_HEADER) + sector[16:]):
        reason = "parity good but EDC wrong: it was written that way"
    else:
        reason = "more damage than the parity can correct"
    return JudgedSector(SectorVerdict.LOST, kind, sector, reason)


def _likely_kind(sector: bytes, header: bytes) -> SectorKind:
    mode = sector[15] if sector.startswith(SYNC) and sector[15] in (1, 2) else header[3]
    if mode == 1:
        return SectorKind.MODE_1
    is_form_2 = sector[16:20] == sector[20:24] and sector[18] & FORM_2_BIT
    return SectorKind.FORM_2 if is_form_2 else SectorKind.FORM_1
