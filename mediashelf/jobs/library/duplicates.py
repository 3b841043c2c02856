"""Which images are there twice: copies with equal bytes, and the same disc in other bytes."""

from __future__ import annotations

from collections.abc import Sequence

from msgspec import Struct

from mediashelf.catalogue.questions.duplicates import EqualImages, find_copies_among
from mediashelf.catalogue.questions.same_disc import SameDisc, find_same_discs
from mediashelf.catalogue.rows import ImageRow
from mediashelf.catalogue.store import Catalogue


class Duplicates(Struct, frozen=True):
    """Groups of copies, most to free first, and of images that look like one disc."""

    copies: tuple[EqualImages, ...]
    same_discs: tuple[SameDisc, ...]

    @property
    def to_free(self) -> int:
        """The bytes that would be free if one copy of each stayed."""
        return sum(group.to_free for group in self.copies)


def find_duplicates(catalogue: Catalogue, rows: Sequence[ImageRow]) -> Duplicates:
    """Return what is there twice among these images; nothing is opened, and nothing deleted."""
    return Duplicates(tuple(find_copies_among(rows)), tuple(find_same_discs(catalogue.db, rows)))
