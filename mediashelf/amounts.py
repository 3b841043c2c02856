"""Sizes and spans of time as people write them, and a span as people say it."""

from __future__ import annotations

import re

from mediashelf.text import count_text

_SIZE_UNITS = {
    "": 1,
    "B": 1,
    **{f"{letter}B": 1000**power for power, letter in enumerate("KMGT", start=1)},
    **{f"{letter}IB": 1024**power for power, letter in enumerate("KMGT", start=1)},
}

_SECONDS = {"s": 1, "m": 60, "h": 3600, "d": 86_400, "w": 7 * 86_400}


def parse_size(text: str) -> int:
    """Return the bytes that ``4GB`` (powers of 1000), ``512 MiB`` or ``614400`` mean.

    Raises ``ValueError`` for anything else.
    """
    match = re.fullmatch(r"([0-9]{1,15})(\.[0-9]{1,3})? ?([A-Za-z]{0,3})", text.strip(), re.ASCII)
    unit = _SIZE_UNITS.get(match.group(3).upper()) if match else None
    if match is None or unit is None:
        raise ValueError(f"{text!r} is not a size; write it like 4GB, 512MiB or 614400")
    from fractions import Fraction  # rarely needed

    return int(Fraction(match.group(1) + (match.group(2) or "")) * unit)


def parse_duration(text: str) -> int:
    """Return the seconds that ``180d``, ``30m``, ``1h30m`` or ``2w`` mean.

    Units are seconds, minutes, hours, days and weeks. Raises ``ValueError`` for
    anything else: a number alone could mean any of them.
    """
    parts = re.findall(r"([0-9]{1,6}) ?([smhdw]) ?", text.strip().lower(), re.ASCII)
    if not re.fullmatch(r"(?:[0-9]{1,6} ?[smhdw] ?)+", text.strip().lower(), re.ASCII):
        raise ValueError(f"{text!r} is not a span of time; write it like 180d, 30m or 1h30m")
    return sum(int(number) * _SECONDS[unit] for number, unit in parts)


def duration_text(seconds: float) -> str:
    """Return a span of time as people say it, in its largest fitting unit: ``30 minutes``."""
    for unit, name in (("d", "day"), ("h", "hour"), ("m", "minute")):
        if seconds >= 2 * _SECONDS[unit] or seconds == _SECONDS[unit]:
            return count_text(round(seconds / _SECONDS[unit]), name)
    return count_text(round(seconds), "second")
