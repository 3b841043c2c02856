"""Covered, incomplete or none: the one answer for a device, and the words for it everywhere."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from enum import StrEnum
from typing import NamedTuple

from mediashelf.drivers.coverage import Cover
from mediashelf.text import count_text, first_text

FILES_NAMED = 4


class DriverState(StrEnum):
    """What a device has here."""

    COVERED = "covered"  # a whole driver package
    INCOMPLETE = "incomplete"  # a package with files missing
    NONE = "none"


class DriverVerdict(NamedTuple):
    """The answer for one device: its state, how it was met, the files that are missing.

    ``of_system`` are files that the system's own disc has to have; nothing shows that.
    """

    state: DriverState
    by: Cover
    missing: tuple[str, ...] = ()
    of_system: tuple[str, ...] = ()

    @property
    def words(self) -> str:
        """The state and what qualifies it, for people."""
        if self.state is DriverState.INCOMPLETE:
            return f"{self.state}, lacks {names_text(self.missing)}"
        if self.of_system:
            return f"{self.state}, with {names_text(self.of_system)} of the system's own disc"
        return f"{self.state}{_BY_WORDS.get(self.by, '')}"


_BY_WORDS = {
    Cover.DECLARED: ", as the recipe declares",
    Cover.GENERIC: ", but for a generic driver",
    Cover.POSSIBLE: " for certain; it depends on the board",
}


def decide(by: Cover, missing: Iterable[str] = (), of_system: Iterable[str] = ()) -> DriverVerdict:
    """Return the verdict on a device that is met in this way by a package that lacks files.

    A generic package does not count, nor does one for some boards with the device's
    chip: that it drives this device was not shown.
    """
    if by not in (Cover.DRIVER, Cover.DECLARED):
        return DriverVerdict(DriverState.NONE, by)
    names = tuple(dict.fromkeys(missing))
    state = DriverState.INCOMPLETE if names else DriverState.COVERED
    return DriverVerdict(state, by, names, tuple(of_system))


def summary_text(verdicts: Iterable[DriverVerdict]) -> str:
    """Return ``4 of 6 devices covered, 1 incomplete, 1 without a driver``."""
    verdicts = list(verdicts)
    if not verdicts:
        return "no devices"
    states = Counter(verdict.state for verdict in verdicts)
    parts = [f"{states[DriverState.COVERED]} of {count_text(len(verdicts), 'device')} covered"]
    if states[DriverState.INCOMPLETE]:
        parts.append(f"{states[DriverState.INCOMPLETE]} incomplete")
    if states[DriverState.NONE]:
        ways = Counter(verdict.by for verdict in verdicts)
        some = [f"{ways[by]} {words}" for by, words in _PARTLY.items() if ways[by]]
        more = f" ({', '.join(some)})" if some else ""
        parts.append(f"{states[DriverState.NONE]} without a driver{more}")
    return ", ".join(parts)


_PARTLY = {Cover.GENERIC: "with only a generic one", Cover.POSSIBLE: "depending on the board"}


def names_text(names: Iterable[str]) -> str:
    """Return file names for a line of text; the many of a large package are counted."""
    return first_text(list(names), FILES_NAMED)
