"""Putting what was found in a source into the tree of the disc."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from mediashelf.building.recipes.patterns import Parts
from mediashelf.building.sources.reading import digest_source
from mediashelf.building.tree import DiscFile, DiscFolder
from mediashelf.findings import Finding, Severity


class Spot:
    """A folder of a source; on the disc it is made only when something needs it there.

    ``parts`` are its names below the source folder.
    """

    __slots__ = ("_folder", "_parent", "_source", "parts")

    def __init__(self, folder: DiscFolder | None, parts: Parts = ()) -> None:
        self.parts = parts
        self._folder = folder
        self._parent: Spot | None = None
        self._source = ""

    def below(self, name: str, source: str) -> Spot:
        """Return the spot of a subfolder; ``source`` is its path on the host."""
        spot = Spot(None, (*self.parts, name))
        spot._parent, spot._source = self, source
        return spot

    def folder(self) -> DiscFolder:
        """Return the folder on the disc."""
        if self._folder is None:
            assert self._parent is not None
            self._folder = self._parent.folder().folder(self.parts[-1], self._source)
        return self._folder


def place_file(folder: DiscFolder, file: DiscFile) -> Iterable[Finding]:
    """Put a file into its folder, unless one of its name is there; then yield what that means.

    Raises :class:`BuildError` when the two cannot be read to compare them.
    """
    earlier = folder.files.setdefault(file.name, file)
    return () if earlier is file else _rivals(earlier, file)


def _rivals(earlier: DiscFile, file: DiscFile) -> Iterator[Finding]:
    first, second = earlier.own, file.own
    is_equal = first.size == second.size and digest_source(first) == digest_source(second)
    what = "the same" if is_equal else "other bytes; only the first would be on the disc"
    yield Finding(
        "same-place-twice",
        Severity.NOTE if is_equal else Severity.ERROR,
        file.source,
        f"{earlier.source} goes to the same place on the disc and holds {what}",
        "" if is_equal else "give one of the two sources another 'to', or rename or skip one file",
    )


def link_left_out(where: str, fact: str) -> Finding:
    """Return the finding for a symbolic link; ``fact`` says what is wrong with it."""
    return Finding(
        "link-left-out",
        Severity.WARNING,
        where,
        f"symbolic link {fact}, so it is not on the disc",
        "copy what it leads to into the folder, or name that as a folder of its own",
    )


def special_left_out(where: str, kind: str) -> Finding:
    """Return the finding for a device and its like."""
    return Finding(
        "special-file-left-out",
        Severity.WARNING,
        where,
        f"a {kind} has no contents, so it is not on the disc",
        "remove it from the folder if it is there by mistake",
    )
