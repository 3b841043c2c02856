"""Date and version of a driver, as DriverVer of an INF says them (INF DriverVer directive)."""

from __future__ import annotations

import re
from typing import NamedTuple

_DRIVER_DATE = re.compile(r"([0-9]{2})[/-]([0-9]{2})[/-]([0-9]{4})", re.ASCII)
_DRIVER_VERSION = re.compile(r"[0-9]{1,9}(?:\.[0-9]{1,9}){0,3}", re.ASCII)


class DriverVersion(NamedTuple):
    """Date and version of ``DriverVer``; compares as systems compare packages.

    A missing or malformed date is (0, 0, 0) (INF DriverVer directive).
    """

    date: tuple[int, int, int] = (0, 0, 0)  # year, month, day
    version: tuple[int, int, int, int] = (0, 0, 0, 0)

    @classmethod
    def parse(cls, date: str, version: str) -> DriverVersion:
        """Return what the two values of DriverVer say; what is malformed counts as zero."""
        return cls(
            parse_driver_date(date) or (0, 0, 0), parse_driver_version(version) or (0, 0, 0, 0)
        )

    @property
    def date_text(self) -> str:
        """The date as ``1999-03-18``, or ``no date``."""
        year, month, day = self.date
        return f"{year:04}-{month:02}-{day:02}" if year else "no date"

    @property
    def version_text(self) -> str:
        """The version as ``4.10.3.204``."""
        return ".".join(map(str, self.version))


def parse_driver_date(text: str) -> tuple[int, int, int] | None:
    """Return (year, month, day) of ``mm/dd/yyyy`` or ``mm-dd-yyyy``, or None."""
    match = _DRIVER_DATE.fullmatch(text.strip())
    if match is None:
        return None
    month, day, year = int(match[1]), int(match[2]), int(match[3])
    if not (1 <= month <= 12 and 1 <= day <= _days(month, year) and year):
        return None
    return year, month, day


def _days(month: int, year: int) -> int:
    if month == 2:
        return 29 if year % 4 == 0 and (year % 100 != 0 or year % 400 == 0) else 28
    return 30 if month in (4, 6, 9, 11) else 31


def parse_driver_version(text: str) -> tuple[int, int, int, int] | None:
    """Return the parts of ``w.x.y.z``, missing ones as 0; None when a part is out of range.

    Each part is less than 65535, and 0.0.0.0 is invalid (INF DriverVer directive).
    """
    if not _DRIVER_VERSION.fullmatch(text.strip()):
        return None
    parts = [int(part) for part in text.strip().split(".")]
    w, x, y, z = [*parts, 0, 0, 0][:4]
    if max(parts) >= 65535 or not any(parts):
        return None
    return w, x, y, z
