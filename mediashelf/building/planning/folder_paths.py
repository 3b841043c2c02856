"""Where folders of the sources are on the disc: their paths in both trees."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

from mediashelf.building.naming.directory import PlannedDirectory
from mediashelf.building.naming.trees import NamedTrees
from mediashelf.building.planning.listing import Listing
from mediashelf.building.recipes.recipe import Recipe, SourceFolder


def folder_paths(
    listing: Listing, trees: NamedTrees, places: Iterable[Sequence[str]]
) -> Iterator[tuple[str, str]]:
    """Yield the paths in both trees of folders that are named as the host names them.

    ``/`` is the root; both are empty when the disc has no such folder.
    """
    iso, joliet = (_paths_by_folder(tree) for tree in (trees.iso, trees.joliet))
    for names in places:
        folder = listing.root.find(names)
        yield iso.get(id(folder), ""), joliet.get(id(folder), "")


def _paths_by_folder(tree: PlannedDirectory) -> dict[int, str]:
    return {id(one.folder): one.path or "/" for one in tree.iter_level_by_level()}


def places_of_sources(
    recipe: Recipe, listing: Listing, trees: NamedTrees
) -> list[tuple[str, str, SourceFolder]]:
    """Return the short and the long path of where each source went that something is said of.

    Of several discs only those with files of the source say it.
    """
    present = {file.origin for file in listing.files}
    said = [
        source
        for origin, source in enumerate(recipe.folders)
        if origin in present and (source.provides or source.notes)
    ]
    if not said:
        return []
    paths = folder_paths(listing, trees, (source.to for source in said))
    return [(short, long, source) for (short, long), source in zip(paths, said, strict=True)]
