"""An image on record, and what the catalogue says of it after an audit."""

from __future__ import annotations

from made_library import Library
from mediashelf.catalogue.rows import ImageRow

MIB = 1 << 20
LONG_AGO = "2001-02-03T04:05:06Z"


def row(library: Library, path: str = "tide.iso") -> ImageRow:
    found = library.catalogue.image_by_path(library.root / path)
    assert found is not None
    return found


def forget_the_day(library: Library) -> None:
    """Put the days of recording far back, so that confirming shows."""
    library.catalogue.db.execute(
        "UPDATE fixity SET recorded_at = ?, confirmed_at = ?", [LONG_AGO] * 2
    )
