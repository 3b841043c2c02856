"""The listing of some units alone: what one disc of several holds."""

from __future__ import annotations

from collections.abc import Iterable

from msgspec.structs import replace

from mediashelf.building.planning.listing import Listing
from mediashelf.building.spread.units import Parts, Unit
from mediashelf.building.tree import Content, DiscFile, DiscFolder


def subset(listing: Listing, units: Iterable[Unit]) -> Listing:
    """Return a listing of these units only; nothing is read.

    Files and contents are copies, so that several discs can be planned from one
    listing. Contents that are equal share one place where they are on one disc.
    """
    copies = _Copies()
    root = DiscFolder("")
    files: list[DiscFile] = []
    boot = boot_file = None
    chosen = list(units)
    if any(unit.has_boot for unit in chosen) and listing.boot and listing.boot_file:
        # First, as in the listing of everything: equal files are pointed to it.
        boot_file = copies.file(listing.boot_file)
        boot = replace(listing.boot, content=boot_file.own)
    for unit in chosen:
        for parts in unit.folders:
            _folder(root, parts)
        place: Parts | None = None  # files of a folder follow each other
        for parts, file in unit.files:
            if parts != place:
                folder, place = _folder(root, parts), parts
            copy = folder.files[file.name] = copies.file(file)
            files.append(copy)
    return Listing(root, tuple(files), (), boot, boot_file)


def _folder(root: DiscFolder, parts: Iterable[str]) -> DiscFolder:
    folder = root
    for name in parts:
        folder = folder.folder(name)
    return folder


class _Copies:
    """Copies files, each content equal to the first of its kind."""

    def __init__(self) -> None:
        self._first: dict[int, Content] = {}

    def file(self, file: DiscFile) -> DiscFile:
        """Return a copy that shares nothing with the original."""
        own = file.own
        content = Content(
            own.name,
            own.size,
            own.modified_ns,
            own.digest,
            member=own.member,
            data=own.data,
            above=own.above,
        )
        first = self._first.setdefault(id(file.content), content)
        if first is not content and content.size:
            content.equal_to = first
        return DiscFile(file.name, content, file.modified, file.origin, file.listed)
