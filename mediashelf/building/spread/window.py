"""Between which numbers of units a disc becomes full: what sums tell, and discs laid out so far."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from mediashelf.formats.volume import SECTOR_SIZE

_SLACK_SECTORS = 16  # what rounding up can add to the tables and pages of a disc


class Growth(NamedTuple):
    """What a unit adds to a disc, or several units together.

    ``least`` and ``most`` are sectors; ``loose`` are the most bytes that come to what it
    shares with others: tables, pages, folders above it.
    """

    least: int = 0
    most: int = 0
    loose: int = 0

    def plus(self, other: Growth) -> Growth:
        """Return what both add."""
        return Growth(self.least + other.least, self.most + other.most, self.loose + other.loose)

    def since(self, before: Growth) -> Growth:
        """Return what came after ``before``."""
        return Growth(self.least - before.least, self.most - before.most, self.loose - before.loose)

    @property
    def most_in_all(self) -> int:
        """Sectors, rounding included."""
        return self.most + (self.loose // SECTOR_SIZE + _SLACK_SECTORS if self.loose else 0)


class Window:
    """How many of the next units fit: at least ``fits``, and fewer than ``fails``.

    ``sums`` are what none of them, the first, the first two and so on add to a disc that
    takes between ``low`` and ``high`` now.
    """

    def __init__(self, sums: Sequence[Growth], low: int, high: Growth, capacity: int) -> None:
        self.sums = sums
        self._capacity = capacity
        self._high = high
        self._lows = [low + grown.least for grown in sums]
        self._highs = [high.plus(grown).most_in_all for grown in sums]
        self._known: tuple[int, int] | None = None
        self.fits = 0
        self.fails = len(sums)
        self._narrow()

    @property
    def is_decided(self) -> bool:
        """Whether it is clear how many fit."""
        return self.fits + 1 == self.fails

    @property
    def taken(self) -> tuple[int, Growth]:
        """The bounds of the disc with those that fit."""
        low, grown = self._lows[self.fits], self.sums[self.fits]
        if self._known is None:
            return low, self._high.plus(grown)
        at, sectors = self._known
        if at <= self.fits:
            return low, Growth(most=sectors).plus(grown.since(self.sums[at]))
        return low, Growth(most=self._highs[self.fits])

    def learn(self, at: int, sectors: int) -> None:
        """Bring the bounds nearer by the sectors of the disc with ``at`` units more."""
        self._known = at, sectors
        for number, grown in enumerate(self.sums):
            if number < at:
                fewer = self.sums[at].since(grown)
                low, high = sectors - fewer.most_in_all, sectors - fewer.least
            else:
                more = grown.since(self.sums[at])
                low, high = sectors + more.least, sectors + more.most_in_all
            self._lows[number] = max(self._lows[number], low)
            self._highs[number] = min(self._highs[number], high)
        self._narrow()

    def _narrow(self) -> None:
        while not self.is_decided and self._highs[self.fits + 1] <= self._capacity:
            self.fits += 1
        while not self.is_decided and self._lows[self.fails - 1] > self._capacity:
            self.fails -= 1
