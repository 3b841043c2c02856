"""The sources of a recipe as a tree of files, under the names of the host."""

from __future__ import annotations

from collections.abc import Hashable

from mediashelf.building.planning.listing import Listing, list_all
from mediashelf.building.recipes.recipe import Recipe
from mediashelf.building.sources.reading import read_start
from mediashelf.building.tree import Content
from mediashelf.drivers.packages.tree import PackageTree, Provides, TreeFile


def lasting_place(content: Content) -> Hashable:
    """Return what stands for the bytes of a source that can be read again, None for others."""
    if content.member is not None or content.data:
        return None
    return content.path, content.size, content.modified_ns


def sources_tree(recipe: Recipe, listing: Listing) -> PackageTree:
    """Return the sources under the names of the host, with what the recipe leaves out."""
    if any(source.only or source.skip for source in recipe.folders):
        listing = list_all(recipe)
    contents = {path: file.own for path, file in listing.iter_paths()}
    files = tuple(TreeFile(path, content.size) for path, content in contents.items())
    provides = tuple(
        Provides("/" + "/".join(source.to), source.provides, source.provides_for)
        for source in recipe.folders
        if source.provides
    )

    def read(file: TreeFile, limit: int) -> bytes:
        return read_start(contents[file.path], limit)

    def lasting(file: TreeFile) -> Hashable:
        return lasting_place(contents[file.path])

    return PackageTree("sources", "folder", files, read, provides, lasting=lasting)
