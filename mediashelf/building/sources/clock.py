"""The date of a disc: from its sources or the environment, never from the wall clock."""

from __future__ import annotations

import os
from collections.abc import Iterable
from datetime import UTC, datetime, timedelta
from functools import lru_cache

from mediashelf.building.tree import DiscFile
from mediashelf.errors import BuildError
from mediashelf.formats.volume import encode_record_date

NO_FILES = 315532800
"""The date of a disc without files: 1 January 1980, the first that DOS can show."""


def date_disc(sources: Iterable[DiscFile]) -> int:
    """Return the disc's date in seconds since 1970, and hold the sources' dates to it.

    That is ``SOURCE_DATE_EPOCH`` when it is set (then no file is dated later),
    else the date of the newest source file. Raises :class:`BuildError` when the
    variable is not a number.
    """
    files = list(sources)
    given = os.environ.get("SOURCE_DATE_EPOCH", "")
    if not given:
        return max((file.modified for file in files), default=NO_FILES)
    if not (given.isascii() and given.isdigit()) or len(given) > 12:
        raise BuildError(
            f"SOURCE_DATE_EPOCH is {given!r}, expected seconds since 1970; fix or unset it"
        )
    made = int(given)
    for file in files:
        file.modified = min(file.modified, made)
    return made


def disc_moment(seconds: int) -> datetime:
    """Return the UTC moment of seconds since 1970, held within what discs can record."""
    first, last = -2208988800, 5869583999  # 1900-01-01 00:00:00 and 2155-12-31 23:59:59
    # Added up, since Windows makes no moments before 1970 from seconds.
    return datetime(1970, 1, 1, tzinfo=UTC) + timedelta(seconds=min(max(seconds, first), last))


@lru_cache(maxsize=4096)
def record_date(seconds: int) -> bytes:
    """Return the 7-byte UTC date of seconds since 1970 (ECMA-119 9.1.5)."""
    return encode_record_date(disc_moment(seconds))


def descriptor_date(made: datetime) -> bytes:
    """Return the 17-byte form of a moment, in UTC (ECMA-119 8.4.26.1)."""
    return made.astimezone(UTC).strftime("%Y%m%d%H%M%S00").encode("ascii") + b"\0"
