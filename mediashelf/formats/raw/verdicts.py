"""What can be said of a raw sector; light to load, as most images have none."""

from __future__ import annotations

from enum import StrEnum


class SectorVerdict(StrEnum):
    """What can be said of a sector's user data."""

    GOOD = "good"  # EDC good, and in its place
    CORRECTED = "corrected"  # put right, and then EDC good
    UNCHECKED = "unchecked"  # nothing was recorded that could prove it
    MISPLACED = "misplaced"  # EDC good, but its address is another one
    LOST = "lost"  # wrong, and beyond correction
