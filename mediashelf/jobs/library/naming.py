"""Files that a command opens, by path or by the name that the catalogue has for them."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from msgspec import Struct

from mediashelf.errors import InputError
from mediashelf.places import catalogue_place

if TYPE_CHECKING:
    from mediashelf.catalogue.questions.duplicates import Alike
    from mediashelf.catalogue.rows import ImageRow

# The catalogue is loaded only for who needs it: it takes longer than to show a small disc.


class NamedFile(Struct, frozen=True):
    """A file to open; ``row`` is its record where the name was looked up in the catalogue.

    ``where`` is how to call it. ``is_one_of_many`` is True where a pattern or a whole shelf
    was named. Reading ``opened_path`` raises :class:`InputError` where the file is not here.
    """

    path: Path
    where: str
    row: ImageRow | None = None
    is_one_of_many: bool = False

    @property
    def opened_path(self) -> Path:
        """The file, for whoever opens it now."""
        if self.row is not None and not os.path.lexists(self.path):
            from mediashelf.catalogue.rows import Presence

            if self.row.presence is Presence.AWAY or not self.row.root.is_dir():
                what = f"its shelf is away ({self.row.root})"
            else:
                what = f"is missing ({self.path}); look for it with: mediashelf scan"
            raise InputError(f"{self.where}: {what}")
        return self.path


def find_files(names: Sequence[str], catalogue_path: Path | None = None) -> list[NamedFile]:
    """Return the files that the names mean, in their order, each once.

    What exists as a file or folder is meant by that; another name is looked up in the
    catalogue, which is not opened before that is needed. A name that is not known there
    either stays a path: whoever opens it says what is wrong. Raises :class:`InputError`
    for a name that several images have, and for a path that a known shelf does not have.
    """
    found: dict[Path, NamedFile] = {}
    unknown = [name for name in names if not os.path.lexists(name)]
    recorded: dict[str, list[ImageRow]] = {}
    if unknown:
        from mediashelf.catalogue.keeping.naming import find_named, means_many
        from mediashelf.catalogue.store import open_catalogue

        with open_catalogue(catalogue_path) as catalogue:
            recorded = {name: find_named(catalogue, name) for name in unknown}
    for name in names:
        rows = recorded.get(name, [])
        for row in rows:
            is_many = means_many(name, row)
            found.setdefault(row.file, NamedFile(row.file, row.where, row, is_many))
        if not rows:
            found.setdefault(Path(name), NamedFile(Path(name), name))
    return list(found.values())


def record_of(
    path: Path, catalogue_path: Path | None = None, alike: Alike | None = None
) -> tuple[ImageRow | None, list[ImageRow]]:
    """Return what is on record of a file, and of its copies; None for a file without a record.

    ``alike`` keeps the copies of each content, for whoever asks for one file after the other.
    """
    if not catalogue_place(catalogue_path).exists():
        return None, []
    from mediashelf.catalogue.questions.duplicates import copies_of
    from mediashelf.catalogue.store import open_catalogue

    with open_catalogue(catalogue_path) as catalogue:
        row = catalogue.image_by_path(path)
        return row, [] if row is None else copies_of(catalogue.db, row, alike)


def find_place(name: str, catalogue_path: Path | None = None) -> str:
    """Return a place as :func:`.open_tree` takes it, for one that may begin with an image's name.

    ``attic:kiosk.iso:/DRIVERS`` becomes ``/media/attic/kiosk.iso:/DRIVERS``. A name that
    means nothing stays as it is. Raises :class:`InputError` like :func:`find_files`, and for a
    name that several images have.
    """
    from mediashelf.trees.opening import iter_splits, split_place

    if os.path.lexists(split_place(name)[0]):
        return name
    problem: InputError | None = None
    for head, inside in iter_splits(name):
        try:
            (file, *others) = find_files([head], catalogue_path)
        except InputError as error:
            problem = problem or error
            continue
        if others:
            raise InputError(f"{head}: matches {1 + len(others):,} images; name one")
        if file.row is not None:
            return f"{file.opened_path}{inside}"
    if problem is not None:
        raise problem
    return name
