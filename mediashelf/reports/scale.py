"""The marks of a scale in bytes: few, even, and not on top of each other."""

from __future__ import annotations

from typing import NamedTuple

from mediashelf.text import count_text

_UNITS = ("byte", "KiB", "MiB", "GiB", "TiB")
_MOST_TICKS = 4
_END_ROOM = 24.0  # per cent; the last two labels need that much on a phone


class Tick(NamedTuple):
    """A place on a scale, in per cent, and what is written there."""

    at: float
    label: str


def nice_ticks(total: int) -> tuple[Tick, ...]:
    """Return the ticks of a scale from 0 to ``total`` bytes: even steps, and the end."""
    step, unit = _step(total)
    ticks = [Tick(0.0, "0")]
    number = 1
    while 100 * number * step / total < 100 - _END_ROOM:
        ticks.append(Tick(round(100 * number * step / total, 3), _label(number * step, unit)))
        number += 1
    ticks.append(Tick(100.0, _label(total, unit)))
    return tuple(ticks)


def _step(total: int) -> tuple[int, int]:
    """Return the smallest even step with few enough ticks, and the power of 1024 of its unit."""
    for power in range(len(_UNITS)):
        for factor in (1, 2, 5, 10, 20, 50, 100, 200, 500):
            step = factor * 1024**power
            if total <= _MOST_TICKS * step:
                return step, power
    return total, len(_UNITS) - 1


def _label(size: int, power: int) -> str:
    if not power:
        return count_text(size, "byte")
    value = size / 1024**power
    number = f"{value:,.0f}" if value == int(value) or value >= 100 else f"{value:,.1f}"
    return f"{number} {_UNITS[power]}"
