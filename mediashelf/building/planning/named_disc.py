"""A disc with its names in both trees, before anything on it has a place."""

from __future__ import annotations

from msgspec import Struct

from mediashelf.building.naming.trees import (
    BOOT_CATALOG,
    HTML_PAGE,
    INDEX_PAGE,
    KnownNames,
    NamedTrees,
    name_trees,
)
from mediashelf.building.planning.listing import Listing
from mediashelf.building.recipes.recipe import Recipe
from mediashelf.building.sources.clock import date_disc
from mediashelf.building.tree import Content, DiscFile, date_folders
from mediashelf.formats.volume import SECTOR_SIZE


class NamedDisc(Struct, frozen=True):
    """What a disc holds, with its names in both trees; nothing has its place yet.

    ``sources`` are the boot image and all files listed, ``date`` counts seconds since 1970, UTC.
    """

    recipe: Recipe
    listing: Listing
    sources: tuple[DiscFile, ...]
    date: int
    index: DiscFile | None
    html: DiscFile | None
    catalog: DiscFile | None
    trees: NamedTrees


def name_disc(
    recipe: Recipe, listing: Listing, *, has_pages: bool, names: KnownNames | None = None
) -> NamedDisc:
    """Name everything on the disc; ``has_pages`` tells whether its pages tell of more than files.

    ``names`` are those known of folders.
    """
    sources = (*there(listing.boot_file), *listing.files)
    date = date_disc(sources)
    date_folders(listing.root, date)
    has_html = recipe.index and (has_pages or any(one.notes for one in recipe.folders))
    index = DiscFile(INDEX_PAGE, Content("", 0), date) if recipe.index else None
    html = DiscFile(HTML_PAGE, Content("", 0), date) if has_html else None
    catalog = DiscFile(BOOT_CATALOG, Content("", SECTOR_SIZE), date) if listing.boot else None
    own = there(listing.boot_file, catalog, index, html)
    trees = name_trees(listing.root, own, names)
    return NamedDisc(recipe, listing, sources, date, index, html, catalog, trees)


def there(*files: DiscFile | None) -> list[DiscFile]:
    """Return those of these files that the disc has."""
    return [file for file in files if file is not None]
