"""Names (NM) of a directory whose records have the same around them: most of most discs."""

from __future__ import annotations

import re
import struct

from mediashelf.formats.iso.directories.record_columns import RecordColumns, packed_alike
from mediashelf.formats.iso.directories.record_problems import FIXED_SIZE
from mediashelf.formats.rockridge.system_use import entries_at
from mediashelf.formats.rockridge.use_entries import is_date

_NAME_AT = 5  # where the name begins in a NM
_PLAIN_NAME = b"NM\x01\0"  # its signature, version and flags; the length is left out


def around_name(use: bytes) -> tuple[tuple[bytes, bytes] | None, bytes]:
    """Return what stands around what may be a name (NM) without flags, and the name, if any."""
    at = use.find(_PLAIN_NAME[:2])
    size = use[at + 2] if 0 <= at < len(use) - _NAME_AT else 0
    end = at + size
    if size <= _NAME_AT or end > len(use) or use[at + 3 : at + _NAME_AT] != _PLAIN_NAME[2:]:
        return None, b""
    name = use[at + _NAME_AT : end]
    return (None, b"") if b"\0" in name else ((use[:at], use[end:]), name)


# What differs from file to file: the dates of TF (RRIP 1.12, 4.1.6) where they have 7 bytes
# each, and the serial number of PX (4.1.1).
_OWN = re.compile(rb"TF[\x0c\x13\x1a\x21\x28\x2f\x36]\x01[\x00-\x7f]|PX\x2c\x01.{32}", re.S)
_MOST_DATES, _MOST_KINDS = 100_000, 1000  # that are remembered

_Cut = list[tuple[int, bytes]]


class AlikeSurroundings:
    """What stands around names where only dates and serial numbers differ."""

    def __init__(self) -> None:
        self._known: dict[object, frozenset[bytes]] = {}
        self._good_dates: set[bytes] = set()

    def learn(self, use: bytes, before: bytes, after: bytes) -> None:
        """Remember what is around a name; ``use`` is the whole area, and all of it is good."""
        (kept_before, own_before), (kept_after, own_after) = map(_without_own, (before, after))
        entries = entries_at(use)
        start = len(use) - len(after)
        places = [at for at, _ in own_before] + [start + at for at, _ in own_after]
        if (
            places
            and len(self._known) < _MOST_KINDS
            and all(_OWN.match(entries.get(at, b"")) for at in places)
        ):
            present = frozenset(entry[:2] for entry in entries.values())
            self._known[kept_before, kept_after] = present

    def find(self, before: bytes, after: bytes) -> frozenset[bytes] | None:
        """Return the signatures of what is around a name where that is good, and known but for
        dates and numbers.
        """
        (kept_before, own_before), (kept_after, own_after) = map(_without_own, (before, after))
        present = self._known.get((kept_before, kept_after))
        if present is None or not all(map(self._is_good, own_before + own_after)):
            return None
        return present

    def _is_good(self, own: tuple[int, bytes]) -> bool:
        data = own[1]
        if len(data) == _NUMBER_SIZE:
            return data[:4] == data[:3:-1]
        # All dates of a file are the same as a rule.
        unknown = {data[at : at + 7] for at in range(0, len(data), 7)} - self._good_dates
        if not all(map(is_date, unknown)):
            return False
        if len(self._good_dates) < _MOST_DATES:
            self._good_dates |= unknown
        return True


_NUMBER_SIZE = 8  # in both byte orders; dates have a multiple of 7 bytes


def _without_own(part: bytes) -> tuple[tuple[bytes, ...], _Cut]:
    """Return the pieces that are left of a part, and what was cut out, with its entry's place."""
    kept, cut, at = [], [], 0
    while found := _OWN.search(part, at):
        end = found.start() + part[found.start() + 2]
        if end > len(part):
            break
        kept.append(part[at : found.end()])
        cut.append((found.start(), part[found.end() : end]))
        at = end
    return (*kept, part[at:]), cut


def names_alike(
    data: bytes, records: RecordColumns, skip: int, before: bytes, after: bytes
) -> list[str] | None:
    """Return the names of records; None where something else stands around one or it is not UTF-8.

    ``skip`` bytes of each system use field belong to somebody else. ``before`` and ``after``
    are what is to stand around the name.
    """
    names = _of_one_length(data, records, skip, before, after)
    if names is None:
        names = _one_by_one(data, records, skip, before, after)
    together = b"/".join(names or [])
    if not names or b"\0" in together or together.count(b"/") >= len(names):
        return None
    try:
        return together.decode("utf-8").split("/")
    except UnicodeDecodeError:
        return None


def _of_one_length(
    data: bytes, records: RecordColumns, skip: int, before: bytes, after: bytes
) -> list[bytes] | None:
    """Return the names of records that are of one length, and so are their identifiers and names.

    None where it is not so, or something else stands around a name.
    """
    packed, width = packed_alike(data, records.places)
    start = FIXED_SIZE + (len(records.identifiers[0]) | 1) + skip
    size = width - start - len(before) - _NAME_AT - len(after)
    if size <= 0 or len(set(map(len, records.identifiers))) > 1:
        return None
    lead = before + _PLAIN_NAME[:2] + bytes([_NAME_AT + size]) + _PLAIN_NAME[2:]
    rows = struct.iter_unpack(f"{start}x{len(lead)}s{size}s{len(after)}s", packed)
    leads, names, rests = zip(*rows, strict=True)
    is_plain = leads.count(lead) == rests.count(after) == len(records)
    return list(names) if is_plain else None


def _one_by_one(
    data: bytes, records: RecordColumns, skip: int, before: bytes, after: bytes
) -> list[bytes] | None:
    """Return the names of records, None where something else stands around one."""
    fields = [
        data[at + FIXED_SIZE + (len(identifier) | 1) + skip : at + data[at]]
        for at, identifier in zip(records.places, records.identifiers, strict=True)
    ]
    start, end = len(before) + _NAME_AT, -len(after) or None
    names = [field[start:end] for field in fields]
    lead, rest = before + _PLAIN_NAME[:2], _PLAIN_NAME[2:]
    heads = {size: lead + bytes([_NAME_AT + size]) + rest for size in set(map(len, names))}
    if 0 in heads or fields != [heads[len(name)] + name + after for name in names]:
        return None
    return names
