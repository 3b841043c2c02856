"""Everything that goes on a disc, listed before anything is decided about it."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from msgspec import Struct
from msgspec.structs import replace

from mediashelf.building.naming.trees import BOOT_IMAGE
from mediashelf.building.planning.boot import PlannedBoot, plan_boot
from mediashelf.building.recipes.recipe import Recipe
from mediashelf.building.sources.collecting import read_sources
from mediashelf.building.sources.sharing import share_equal
from mediashelf.building.tree import DiscFile, DiscFolder
from mediashelf.findings import Finding


class Listing(Struct, frozen=True):
    """The sources of a recipe as one tree; equal contents are pointed to each other.

    ``files`` are all files of ``root``. ``boot_file`` is the boot image as a file of
    the disc; it is in none of the source folders.
    """

    root: DiscFolder
    files: tuple[DiscFile, ...]
    findings: tuple[Finding, ...]
    boot: PlannedBoot | None = None
    boot_file: DiscFile | None = None

    def iter_paths(self) -> Iterator[tuple[str, DiscFile]]:
        """Yield every file of ``root`` with its path under the names of the host."""
        for parts, folder in self.iter_folders():
            path = "".join([f"/{name}" for name in parts])
            yield from ((f"{path}/{name}", file) for name, file in folder.files.items())

    def find(self, path: str) -> DiscFile | None:
        """Return the file of ``root`` with this path under the names of the host."""
        *parts, name = path.split("/")[1:]
        folder = self.root.find(parts)
        return folder.files.get(name) if folder is not None else None

    def iter_folders(self) -> Iterator[tuple[tuple[str, ...], DiscFolder]]:
        """Yield every folder with the names that lead to it, parents before children."""
        waiting: list[tuple[tuple[str, ...], DiscFolder]] = [((), self.root)]
        while waiting:
            parts, folder = waiting.pop()
            waiting += [((*parts, name), below) for name, below in folder.folders.items()]
            yield parts, folder


def list_sources(
    recipe: Recipe,
    *,
    on_bytes: Callable[[int], None] = lambda count: None,
    shares: bool = True,
) -> Listing:
    """Look at the sources of a recipe, and read those whose sizes occur more than once.

    Without ``shares`` nothing is read. ``on_bytes`` is called with the number of bytes just
    read. Raises :class:`InputError` when a source or the boot image is not there, and
    :class:`BuildError` when a file changes while it is looked at.
    """
    root, findings = read_sources(recipe.folders)
    files = tuple(root.iter_files())
    boot = plan_boot(recipe.boot) if recipe.boot is not None else None
    boot_file = boot.as_file(BOOT_IMAGE) if boot else None
    listing = Listing(root, files, tuple(findings), boot, boot_file)
    if shares:
        share_listed(listing, on_bytes=on_bytes)
    return listing


def share_listed(listing: Listing, *, on_bytes: Callable[[int], None] = lambda count: None) -> None:
    """Point equal contents to each other; raises :class:`BuildError` as above."""
    boot = [listing.boot_file.own] if listing.boot_file else []
    share_equal([*boot, *(file.own for file in listing.files)], on_bytes=on_bytes)


def list_all(recipe: Recipe) -> Listing:
    """Look at everything in the sources, whatever ``only`` and ``skip`` say of it.

    Equal contents are not looked for. Raises :class:`InputError` like
    :func:`list_sources`.
    """
    whole = [replace(source, only=(), skip=()) for source in recipe.folders]
    root, findings = read_sources(whole)
    return Listing(root, tuple(root.iter_files()), tuple(findings))
