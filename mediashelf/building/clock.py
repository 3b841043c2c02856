"""The date of a disc: from its sources or the environment, never from the wall clock."""

from __future__ import annotations

import os
from collections.abc import Iterable

from mediashelf.building.tree import DiscFile
from mediashelf.errors import BuildError

NO_FILES = 315532800
"""The date of a disc without files: 1 January 1980, the first that DOS can show."""


def date_disc(sources: Iterable[DiscFile]) -> int:
    """Return the disc's date in seconds since 1970, and hold the sources' dates to it.

    That is ``SOURCE_DATE_EPOCH`` when it is set (then no file is dated later),
    else the date of the newest source file. Raises :class:`BuildError` when the
    variable is no number.
    """
    files = list(sources)
    given = os.environ.get("SOURCE_DATE_EPOCH", "")
    if not given:
        return max((file.modified for file in files), default=NO_FILES)
    if not (given.isascii() and given.isdigit()) or len(given) > 12:
        raise BuildError(
            f"SOURCE_DATE_EPOCH is {given!r}, expected seconds since 1970; mend or unset it"
        )
    made = int(given)
    for file in files:
        file.modified = min(file.modified, made)
    return made
