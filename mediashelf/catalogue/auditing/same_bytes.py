"""The images on record with the bytes of one that is audited, asked for once each digest."""

from __future__ import annotations

from collections.abc import Iterable

from mediashelf.catalogue.rows import ImageRow
from mediashelf.catalogue.store import Catalogue


class SameBytes:
    """Answers as :meth:`Catalogue.images_by_digest`, for one audit; thousands may be copies.

    What other runs write in the meantime is asked for anew.
    """

    def __init__(self, catalogue: Catalogue) -> None:
        self._catalogue = catalogue
        self._rows: dict[str, tuple[ImageRow, ...]] = {}
        self._version = 0
        self._shared: set[tuple[str, bool]] = set()

    def of(self, digest: str) -> tuple[ImageRow, ...]:
        """Return every image with this digest in force, by shelf and path."""
        (version,) = self._catalogue.db.execute("PRAGMA data_version").fetchone()
        if version != self._version:
            self._rows.clear()
            self._version = version
        rows = self._rows.get(digest)
        if rows is None:
            rows = self._rows[digest] = tuple(self._catalogue.images_by_digest(digest))
        return rows

    def is_first(self, digest: str, *, is_wrong: bool) -> bool:
        """Tell whether nobody has asked before whether these bytes are wrong inside, or right."""
        is_known = (digest, is_wrong) in self._shared
        self._shared.add((digest, is_wrong))
        return not is_known

    def forget(self, digests: Iterable[str]) -> None:
        """Ask anew for these: the audit has put them on record for another image."""
        for digest in digests:
            self._rows.pop(digest, None)
