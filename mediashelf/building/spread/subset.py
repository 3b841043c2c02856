"""The listing of some units alone: what one disc of several holds."""

from __future__ import annotations

from collections.abc import Iterable

from mediashelf.building.planning.listing import Listing
from mediashelf.building.spread.units import Parts, Unit
from mediashelf.building.tree import Content, DiscFile, DiscFolder


def subset(listing: Listing, units: Iterable[Unit]) -> Listing:
    """Return a listing of these units only; nothing is read or copied.

    Folders are its own, files and contents are those of ``listing``: each is on one disc in
    the end. Contents that are equal to others still point to those, on whatever disc they are:
    sizes are right so, and :func:`share_on_disc` puts places right.
    """
    root = DiscFolder("")
    files: list[DiscFile] = []
    boot = boot_file = None
    chosen = list(units)
    if any(unit.has_boot for unit in chosen):
        boot, boot_file = listing.boot, listing.boot_file
    for unit in chosen:
        for parts in unit.folders:
            folder = _folder(root, parts)
            folder.files = _folder(listing.root, parts).files  # all of them are in this unit
        whole = set(unit.folders)
        for parts, held in unit.placed:
            if parts not in whole:
                _folder(root, parts).files.update({file.name: file for file in held})
            files += held
    return Listing(root, tuple(files), (), boot, boot_file)


def _folder(root: DiscFolder, parts: Parts) -> DiscFolder:
    folder = root
    for name in parts:
        folder = folder.folder(name)
    return folder


def share_on_disc(listing: Listing) -> None:
    """Point contents that are equal to the first of them on this disc."""
    contents = [file.own for file in listing.files]
    if listing.boot_file is not None:  # first, as in the listing of everything
        contents.insert(0, listing.boot_file.own)
    equal = {id(one.equal_to) for one in contents if one.equal_to is not None}
    firsts: dict[int, Content] = {}
    for content in contents:
        leader = content.equal_to or content
        if id(leader) in equal:
            first = firsts.setdefault(id(leader), content)
            content.equal_to = None if first is content else first
