"""What an audit says of an image, in a word; for whoever needs no more than the words."""

from __future__ import annotations

from enum import StrEnum


class State(StrEnum):
    """What an audit says of one image; see the table in comparing.py."""

    SOUND = "sound"
    UNRECORDED = "unrecorded"
    DAMAGED = "damaged"
    DECAYED = "decayed"
    CHANGED = "changed"
    TRUNCATED = "truncated"
    MISSING = "missing"
    AWAY = "away"
    UNREADABLE = "unreadable"
    CHANGING = "changing"

    @property
    def shown(self) -> str:
        """The state as people read it."""
        return STATE_WORDS.get(self.value, self.value)

    @property
    def shown_in_list(self) -> str:
        """The same without a comma, for a list of counts."""
        return self.shown.replace(", ", " and ")


STATE_WORDS = {
    "changed": "changed, waiting",
    "unrecorded": "no record",
}
"""The states whose words for people are not those in data."""


WORST_FIRST = (
    State.UNREADABLE,
    State.DECAYED,
    State.TRUNCATED,
    State.DAMAGED,
    State.CHANGED,
    State.CHANGING,
    State.MISSING,
    State.AWAY,
    State.UNRECORDED,
    State.SOUND,
)
"""Every state; what may be lost comes before what a person may have done."""
