"""UDF: is it there, where are its entry points, and are descriptor tags good.

Layouts and clause numbers are those of ECMA-167 as the Linux kernel 6.12 has
them (fs/udf/ecma_167.h, misc.c, super.c); all numbers have their low byte first.
"""

from __future__ import annotations

import struct
from typing import NamedTuple

from mediashelf.formats.fields import View, end_of_recorded, read_sector
from mediashelf.formats.problem_log import ProblemLog
from mediashelf.formats.udf.tags import TAG_SIZE, parse_descriptor_tag, verify_tag
from mediashelf.formats.volume import SECTOR_SIZE

_FIRST_RECOGNITION = 16  # sector; the structures follow or replace those of ISO 9660
_MOST_RECOGNITION = 101  # structures
_FARTHEST_START = 16 * SECTOR_SIZE  # bytes of other structures before those of UDF
FIRST_ANCHOR = 256  # block
_EARLIER = (1, 2, 150, 152)  # blocks before the last, as the Linux kernel 6.12 tries them
_BLOCK_SIZES = (2048, 512, 1024, 4096)
_LARGEST_BLOCK = 4096
_ENDING = 2 << 20  # bytes around the end of the partitions in which anchors are (own choice)

_BEGIN, _END = b"BEA01", b"TEA01"  # 2/9.2, 2/9.3
_STANDARDS = (b"NSR02", b"NSR03")  # 3/9.1
_OTHERS = (b"CD001", b"BOOT2", b"CDW02")  # 2/9.4 and other standards

_ANCHOR = 2  # tag identifier, 3/7.2.1
_SEQUENCE = struct.Struct("<II")  # length in bytes and location, in the anchor


def read_recognition(view: View, log: ProblemLog, session: int = 0) -> str:
    """Return ``NSR02`` or ``NSR03`` from the volume recognition sequence, or the empty string.

    ``session`` is the first sector of the session that is read, as for the Linux kernel 6.1.
    Its structures are 2048 bytes apart, or one block where blocks are larger.
    """
    start = (session + _FIRST_RECOGNITION) * SECTOR_SIZE
    if _has_none(view, start):
        return ""
    sequences = [_walk_recognition(view, start, step) for step in (SECTOR_SIZE, _LARGEST_BLOCK)]
    found = max(sequences, key=lambda each: (each.is_whole, bool(each.standard)))
    if found.standard and not found.is_whole:
        log.add(
            "udf-recognition",
            f"LBA {found.end // SECTOR_SIZE}",
            "the volume recognition sequence is not as it must be",
            offset=found.end,
            found=" and ".join(found.wrong),
            expected="BEA01, the standard's identifier, TEA01, each of type 0 and version 1",
        )
    elif not found.standard and found.is_framed:
        log_unannounced(session, " and ".join(found.wrong) or "no NSR02 and no NSR03", log)
    return found.standard


class _Recognition(NamedTuple):
    """A volume recognition sequence: its standard, the byte where it ends, and what is wrong."""

    standard: str
    end: int
    wrong: tuple[str, ...]

    @property
    def is_framed(self) -> bool:
        """Whether it has a beginning or an end."""
        missing = {f"no {each.decode()}" for each in (_BEGIN, _END)}
        return not missing <= set(self.wrong)

    @property
    def is_whole(self) -> bool:
        return bool(self.standard) and not self.wrong


def log_unannounced(session: int, found: str, log: ProblemLog) -> None:
    """Log a UDF volume that its volume recognition sequence does not tell of."""
    lba = session + _FIRST_RECOGNITION
    log.add(
        "udf-announced",
        f"LBA {lba}",
        "the disc has a UDF volume, but its volume recognition sequence does not say so; "
        "systems do not show it",
        offset=lba * SECTOR_SIZE,
        found=found,
        expected="BEA01, NSR02 or NSR03, TEA01",
    )


def has_first_anchor(view: View, session: int) -> bool:
    """Tell whether a good anchor is at its first place, for blocks of 2048 bytes."""
    number = session + FIRST_ANCHOR
    data = read_sector(view, number)
    place = number * SECTOR_SIZE
    return verify_tag(data, number, frozenset({_ANCHOR}), "anchor", ProblemLog(), offset=place)


def _has_none(view: View, start: int) -> bool:
    """Tell whether nothing of UDF is as far as a walk of either step gets; so on most discs."""
    data = view.read(start, _FARTHEST_START + _LARGEST_BLOCK + SECTOR_SIZE)
    identifiers = [data[at + 1 : at + 6] for at in range(0, len(data), SECTOR_SIZE)]
    goes_on = not set(_OTHERS).isdisjoint(identifiers[_FARTHEST_START // SECTOR_SIZE :])
    return not goes_on and {_BEGIN, *_STANDARDS, _END}.isdisjoint(identifiers)


def _walk_recognition(view: View, start: int, step: int) -> _Recognition:
    standard, seen, at = "", set(), 0
    wrong: list[str] = []
    for number in range(_MOST_RECOGNITION):
        at = start + number * step
        head = view.read(at, 7)  # structure type, standard identifier, structure version
        identifier = head[1:6]
        if identifier in (_BEGIN, *_STANDARDS, _END) and head[:1] + head[6:] != b"\0\1":
            wrong.append(f"type {head[0]}, version {head[-1]} of {identifier.decode()}")
        seen.add(identifier)
        if identifier in _STANDARDS:
            standard = standard or identifier.decode()
        is_known = identifier in (_BEGIN, *_STANDARDS, *_OTHERS)
        if identifier == _END or (not is_known and (standard or number * step > _FARTHEST_START)):
            break
    missing = [f"no {each.decode()}" for each in (_BEGIN, _END) if each not in seen]
    return _Recognition(standard, at, (*missing, *wrong))


class Anchors(NamedTuple):
    """What the valid anchors say: the size of a block, and (length, location) of sequences.

    The main sequence comes first, then the reserve. ``total`` is how many anchors there are.
    """

    block_size: int
    sequences: tuple[tuple[int, int], ...] = ()
    total: int = 0


def read_anchors(view: View, log: ProblemLog, session: int = 0) -> Anchors:
    """Return what the anchors name, in blocks of the size at which one has its own place.

    That of a later session counts from its first sector.
    The tag of an anchor names the block that it is in, which tells the block size.
    """
    for size in _BLOCK_SIZES:
        if _valid_anchors(view, size, session, ProblemLog()):
            break
    else:
        size = SECTOR_SIZE
    sequences = _valid_anchors(view, size, session, log)
    if not sequences:
        last = view.size // SECTOR_SIZE - 1
        log.add(
            "udf-anchor",
            f"LBA {FIRST_ANCHOR}",
            "no valid UDF anchor was found, so the UDF volume was not read",
            offset=FIRST_ANCHOR * SECTOR_SIZE,
            expected=f"an anchor at LBA {FIRST_ANCHOR}, {last - FIRST_ANCHOR} or {last}",
        )
    # All anchors name the same sequences, unless one of them is stale.
    return Anchors(size, tuple(dict.fromkeys(sequences)), len(sequences) // 2)


def _valid_anchors(view: View, size: int, session: int, log: ProblemLog) -> list[tuple[int, int]]:
    last = view.size // size - 1
    start = session * SECTOR_SIZE // size
    first = start + FIRST_ANCHOR
    places = (first, last - FIRST_ANCHOR, last)
    recorded = end_of_recorded(view, size) - 1
    others = (
        start + 2 * FIRST_ANCHOR,
        *(last - less for less in _EARLIER),
        *(recorded, recorded - FIRST_ANCHOR),
    )
    sequences: list[tuple[int, int]] = []
    for number in dict.fromkeys((*places, *others)):
        data = read_sector(view, number, size) if number >= first else b""
        # At the other places a disc may have something else.
        if not data or (number != first and parse_descriptor_tag(data).identifier != _ANCHOR):
            continue
        is_meant = number in places or parse_descriptor_tag(data).location == number
        place_log = log if number == first else ProblemLog()
        is_valid = verify_tag(
            data, number, frozenset({_ANCHOR}), "anchor", place_log, offset=number * size
        )
        if is_meant and not is_valid and number != first:
            _log_damaged_copy(place_log, number * size, size, log)
        if is_valid:
            sequences += [
                _SEQUENCE.unpack_from(data, TAG_SIZE),
                _SEQUENCE.unpack_from(data, TAG_SIZE + _SEQUENCE.size),
            ]
    return sequences


def _log_damaged_copy(own_log: ProblemLog, offset: int, size: int, log: ProblemLog) -> None:
    """Log an anchor after the first, which is no more of a fault than that there is none."""
    (finding,) = own_log.findings()
    log.add(
        "udf-anchor-copy",
        f"LBA {offset // SECTOR_SIZE}",
        f"a copy of the UDF anchor is damaged: {finding.found}",
        offset=offset,
        length=size,
        found=finding.found,
        expected=finding.expected,
    )


def has_later_anchor(view: View, end: int, size: int, session: int = 0) -> bool:
    """Tell whether a good anchor is near block ``end``, where partitions end, after the first.

    The last block of a volume is not the image's where somebody added zeros to that.
    """
    start = max(end - 2 * FIRST_ANCHOR, session * SECTOR_SIZE // size + FIRST_ANCHOR + 1)
    data = view.read(start * size, _ENDING)
    for at in range(0, len(data) - size + 1, size):
        found, number, log = data[at : at + size], start + at // size, ProblemLog()
        if parse_descriptor_tag(found).identifier == _ANCHOR and verify_tag(
            found, number, frozenset({_ANCHOR}), "anchor", log, offset=number * size
        ):
            return True
    return False
