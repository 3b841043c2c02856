"""One directory of a disc's trees, as it is recorded."""

from __future__ import annotations

from collections.abc import Iterator

from msgspec import Struct, field

from mediashelf.building.tree import DiscFile, DiscFolder


class PlannedDirectory(Struct):
    """One directory of one tree, the Joliet tree if ``is_long``; ``path`` is empty for the root.

    It holds ``items`` under ``names``, in recorded order. ``number`` (its place in
    the path table), ``lba`` and ``size`` (bytes of its records, whole sectors) are set by
    the layout.
    """

    folder: DiscFolder
    is_long: bool
    parent: PlannedDirectory | None = None
    path: str = ""
    identifier: bytes = b"\x00"
    names: list[str] = field(default_factory=list)
    items: list[DiscFile | PlannedDirectory] = field(default_factory=list)
    number: int = 1
    lba: int = 0
    size: int = 0

    def iter_level_by_level(self) -> Iterator[PlannedDirectory]:
        """Yield this directory and all below; within a level as their parents list them."""
        level = [self]
        while level:
            yield from level
            level = [below for directory in level for below in directory.iter_directories()]

    def iter_directories(self) -> Iterator[PlannedDirectory]:
        """Yield the directories in it."""
        if self.folder.folders:  # most hold files alone
            for item in self.items:
                if isinstance(item, PlannedDirectory):
                    yield item

    def iter_files(self) -> Iterator[DiscFile]:
        """Yield the files in it and below by their paths as text, which are not made for that."""
        waiting: list[DiscFile | PlannedDirectory] = [self]
        while waiting:
            item = waiting.pop()
            if isinstance(item, DiscFile):
                yield item
                continue
            places = sorted(range(len(item.items)), key=item.path_end, reverse=True)
            waiting += map(item.items.__getitem__, places)

    def path_end(self, place: int) -> str:
        """Return what the paths of an item and of all in it have after this directory's."""
        name = self.names[place]
        return f"{name}/" if isinstance(self.items[place], PlannedDirectory) else name

    def identifiers(self) -> list[bytes]:
        """Return the identifiers of what it holds, made anew: kept they would take more room."""
        if self.is_long:
            return [name.encode("utf-16-be") for name in self.names]
        return [
            (name if isinstance(item, PlannedDirectory) else file_identifier(name)).encode("ascii")
            for name, item in zip(self.names, self.items, strict=True)
        ]


def file_identifier(name: str) -> str:
    """Return a file's identifier in the ISO tree: both separators and the version are in it.

    ECMA-119 7.5.1.
    """
    return f"{name};1" if "." in name else f"{name}.;1"
