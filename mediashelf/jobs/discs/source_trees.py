"""The sources of a recipe as a tree of files, under the names of the host."""

from __future__ import annotations

from collections.abc import Hashable

from mediashelf.building.planning.listing import Listing, list_all
from mediashelf.building.recipes.recipe import Recipe
from mediashelf.building.sources.reading import read_start
from mediashelf.building.tree import Content, DiscFile
from mediashelf.drivers.packages.tree import PackageTree, Provides, TreeFile
from mediashelf.jobs.discs.placed_files import PlacedFiles


def lasting_place(content: Content) -> Hashable:
    """Return what stands for the bytes of a source that can be read again, None for others."""
    if content.member is not None or content.data:
        return None
    return content.path, content.size, content.modified_ns


def sources_tree(recipe: Recipe, listing: Listing) -> PackageTree:
    """Return the sources under the names of the host, with what the recipe leaves out."""
    if any(source.only or source.skip for source in recipe.folders):
        listing = list_all(recipe)
    every: list[DiscFile] = []
    folders: list[str] = []
    for parts, folder in listing.iter_folders():
        every += folder.files.values()
        folders += ["".join([f"/{name}" for name in parts])] * len(folder.files)
    files = PlacedFiles(every, (folders, [file.name for file in every]))
    del folders
    provides = tuple(
        Provides("/" + "/".join(source.to), source.provides, source.provides_for)
        for source in recipe.folders
        if source.provides
    )

    def content(file: TreeFile) -> Content:
        found = files.content(file)
        assert found is not None
        return found

    def read(file: TreeFile, limit: int) -> bytes:
        return read_start(content(file), limit)

    def lasting(file: TreeFile) -> Hashable:
        return lasting_place(content(file))

    def is_quick(file: TreeFile) -> bool:
        return content(file).member is None

    return PackageTree("sources", "folder", files, read, provides, "", lasting, is_quick)
