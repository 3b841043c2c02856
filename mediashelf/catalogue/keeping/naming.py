"""Images on record by the names that people give them, and that every screen prints.

``shelf: path`` and ``shelf:path`` name one image, or with ``*`` and ``?`` every image on
that shelf whose path fits; ``shelf:`` alone names all of them. ``shelf/path``, or only the
end of that, names one.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from fnmatch import translate

from mediashelf.catalogue import images
from mediashelf.catalogue.rows import ImageRow
from mediashelf.catalogue.store import Catalogue
from mediashelf.errors import InputError
from mediashelf.text import did_you_mean, first_text, printable, same_name

_NAMED_AT_MOST = 5
_ON_WINDOWS_TOO = str.maketrans("\\", "/")


def images_named(catalogue: Catalogue, name: str) -> list[ImageRow]:
    """Return the images on record that a name means, whether their files are here or not.

    More than one only for a pattern or a whole shelf. Raises :class:`InputError` for a
    name that means nothing, and for an end of a path that several images have.
    """
    rows = find_named(catalogue, name)
    if rows:
        return rows
    near = did_you_mean(
        name.partition(":")[0], [row.name for row in catalogue.shelves(with_counts=False)]
    )
    raise InputError(f"{name}: no shelf, file, folder or image on record has this name{near}")


def find_named(catalogue: Catalogue, name: str) -> list[ImageRow]:
    """Return the same, or nothing where no image and no shelf before a colon is known."""
    shelf = split_shelf(name, [row.name for row in catalogue.shelves(with_counts=False)])
    if shelf is not None:
        return _on_shelf(catalogue.images(shelf=shelf[0]), name, shelf[1])
    rows = _by_end(catalogue, name)
    if len(rows) > 1:
        places = first_text([row.where for row in rows], _NAMED_AT_MOST)
        raise InputError(f"{name}: matches {len(rows)} images ({places}); name one of them so")
    return rows


def split_shelf(name: str, shelves: Iterable[str]) -> tuple[str, str] | None:
    """Return the shelf before a name's colon and the path after it; None where none is known."""
    fitting = [shelf for shelf in shelves if name.lower().startswith(f"{shelf.lower()}:")]
    if not fitting:
        return None
    shelf = max(fitting, key=len)  # the name of a shelf may have a colon in it
    return shelf, name[len(shelf) + 1 :]


def means_many(name: str, row: ImageRow) -> bool:
    """Tell whether a name that means an image could mean others too: a pattern, or a shelf."""
    split = split_shelf(name, [row.shelf])
    return split is not None and _is_pattern(split[1]) and row.path != split[1].strip()


def _is_pattern(path: str) -> bool:
    return not path.strip() or "*" in path or "?" in path


def image_named(catalogue: Catalogue, name: str) -> ImageRow:
    """Return the one image that a name means; raises :class:`InputError` for several too."""
    rows = images_named(catalogue, name)
    if len(rows) != 1:
        raise InputError(f"{name}: matches {len(rows):,} images; name one")
    return rows[0]


def _on_shelf(rows: list[ImageRow], name: str, path: str) -> list[ImageRow]:
    wanted = path.removeprefix(" ")
    # Screens print control characters as escapes.
    exact = [row for row in rows if wanted in (row.path, printable(row.path))]
    folded = same_name(wanted.strip().translate(_ON_WINDOWS_TOO))
    found = exact or [row for row in rows if not folded or same_name(row.path) == folded]
    if not found and _is_pattern(wanted):
        # "[" is a character of names more often than the beginning of a choice.
        fits = re.compile(translate(folded.replace("[", "[[]"))).match
        found = [row for row in rows if fits(same_name(row.path))]
    if not found:
        end = f"/{folded}"
        found = [row for row in rows if same_name(f"/{row.path}").endswith(end)]
        if len(found) != 1:
            near = did_you_mean(wanted, [row.path for row in rows])
            raise InputError(f"{name}: no image on this shelf has this name{near}")
    return found


def _by_end(catalogue: Catalogue, name: str) -> list[ImageRow]:
    parts = same_name(name.translate(_ON_WINDOWS_TOO)).lstrip("/")
    end = "/" + parts
    rows = images.by_name(catalogue.db, parts.rpartition("/")[2])
    return [row for row in rows if same_name(f"/{row.shelf}/{row.path}").endswith(end)]
