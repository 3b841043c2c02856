"""The date and time that FAT directories and ZIP headers share (from memory)."""

from __future__ import annotations

from datetime import UTC, datetime


def seconds_of_dos_time(date: int, time: int) -> int | None:
    """Return seconds since 1970, read as UTC since they name no zone; None for no date at all."""
    try:
        moment = datetime(
            1980 + (date >> 9),
            date >> 5 & 15,
            date & 31,
            time >> 11,
            time >> 5 & 63,
            min(2 * (time & 31), 59),
            tzinfo=UTC,
        )
    except ValueError:
        return None
    return int(moment.timestamp())
