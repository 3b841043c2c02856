"""Names (NM) of a directory whose records have the same around them: most of most discs."""

from __future__ import annotations

import struct

from mediashelf.formats.iso.record_columns import RecordColumns, packed_alike
from mediashelf.formats.iso.record_problems import FIXED_SIZE

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


def names_alike(
    data: bytes, records: RecordColumns, skip: int, before: bytes, after: bytes
) -> list[str] | None:
    """Return the names of records; None where something else stands around one, or it is not text.

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
