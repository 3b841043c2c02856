"""The catalogue as a session sees it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path

from mediashelf.catalogue.images import fixity_record
from mediashelf.catalogue.rows import ImageRow, Presence
from mediashelf.catalogue.store import Catalogue, open_catalogue
from mediashelf.errors import MediashelfError
from mediashelf.integrity.fixity.comparing import FixityRecord
from mediashelf.integrity.raw.tracks import read_raw_disc
from mediashelf.sessions.plans.resolve import KnownImage
from mediashelf.text import fold


class CatalogueLibrary:
    """Answers a session's questions from an open catalogue."""

    def __init__(self, catalogue: Catalogue) -> None:
        self._catalogue = catalogue

    def find(self, text: str) -> Sequence[KnownImage]:
        """Return the images that have every word of ``text`` in their label or path.

        A raw file of which a sheet has the words too is meant by that sheet.
        """
        words = fold(text).split()
        rows = [row for row in self._catalogue.images() if words and _has_words(row, words)]
        parts = files_of_sheets(rows)
        return [
            KnownImage(row.file, row.label, self._record(row), row.presence is Presence.HERE)
            for row in rows
            if row.file not in parts
        ]

    def record(self, path: Path) -> FixityRecord | None:
        """Return what is on record of the file at ``path``."""
        row = self._catalogue.image_by_path(path)
        return self._record(row) if row is not None else None

    def _record(self, row: ImageRow) -> FixityRecord | None:
        # The digest of an image that was damaged when it was recorded vouches for
        # nothing: a good copy in its place would be taken for a wrong one. With the
        # keeper's word on these bytes it does.
        if row.errors and not row.acknowledged:
            return None
        return fixity_record(self._catalogue.db, row)


@contextmanager
def open_library(path: Path | None) -> Iterator[CatalogueLibrary]:
    """Open the catalogue for reading; where there is none, nothing is known."""
    with open_catalogue(path) as catalogue:
        yield CatalogueLibrary(catalogue)


def files_of_sheets(rows: Iterable[ImageRow]) -> dict[Path, str]:
    """Return the files that the cue sheets among some images name, each with its sheet."""
    named: dict[Path, str] = {}
    for row in rows:
        if row.is_sheet and row.presence is Presence.HERE:
            with suppress(MediashelfError):  # what is wrong with a sheet shows when it is used
                named.update((track.path, row.path) for track in read_raw_disc(row.file).tracks)
    return named


def _has_words(row: ImageRow, words: Sequence[str]) -> bool:
    text = fold(" ".join([*row.labels, row.path]))
    return all(word in text for word in words)
