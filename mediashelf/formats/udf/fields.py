"""Texts and times in UDF records (ECMA-167 1/7.3; OSTA compressed unicode)."""

from __future__ import annotations

import struct
from datetime import UTC, datetime, timedelta, timezone


def parse_dstring(field: bytes) -> str:
    """Return the text of a fixed-length field whose last byte says how much is used."""
    return decode_compressed(field[: min(field[-1], len(field) - 1)]) if field else ""


def decode_compressed(data: bytes) -> str:
    """Return OSTA compressed unicode: a first byte of 8 or 16 bits a character, then those.

    What begins with another byte is read as 8 bits a character.
    """
    if data[:1] in (b"\x10", b"\xff"):
        return data[1 : 1 + (len(data) - 1 & ~1)].decode("utf-16-be", errors="replace")
    return data[1:].decode("latin-1")


def parse_timestamp(data: bytes) -> datetime | None:
    """Return a 12-byte timestamp (1/7.3), or None when it is not valid.

    The low 12 bits of the first word are the signed offset from UTC in minutes;
    -2047 means "not given" and is read as UTC.
    """
    if len(data) < 12:
        return None
    word, year, month, day, hour, minute, second = struct.unpack_from("<HhBBBBB", data)
    minutes = word & 0x0FFF
    minutes -= 0x1000 if minutes & 0x0800 else 0
    try:
        zone = timezone(timedelta(minutes=minutes)) if abs(minutes) <= 1440 - 1 else UTC
        return datetime(year, month, day, hour, minute, second, tzinfo=zone)
    except ValueError:
        return None
