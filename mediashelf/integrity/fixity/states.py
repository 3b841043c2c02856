"""What an audit says of an image, in a word; for whoever needs no more than the words."""

from __future__ import annotations

from enum import StrEnum


class State(StrEnum):
    """What an audit says of one image; see the table in comparing.py."""

    SOUND = "sound"
    DAMAGED = "damaged"
    DECAYED = "decayed"
    CHANGED = "changed"
    TRUNCATED = "truncated"
    MISSING = "missing"
    AWAY = "away"
    UNREADABLE = "unreadable"
    CHANGING = "changing"


WORST_FIRST = (
    State.UNREADABLE,
    State.DECAYED,
    State.TRUNCATED,
    State.DAMAGED,
    State.CHANGED,
    State.CHANGING,
    State.MISSING,
    State.AWAY,
    State.SOUND,
)
"""Every state; what may be lost comes before what a person may have done."""
