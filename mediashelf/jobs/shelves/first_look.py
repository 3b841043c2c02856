"""Whether an image can hold driver packages at all, told by the names of its files.

Light to load: what reads packages is not needed for a disc without any.
"""

from __future__ import annotations

import re

from mediashelf.catalogue.packages.looked_into import PackagesSeen
from mediashelf.errors import MediashelfError
from mediashelf.formats.entries import Folder, iter_folders
from mediashelf.formats.volume import HOLE
from mediashelf.image import DiscImage, begins_as_disc
from mediashelf.package_names import TELLING_NAMES, TELLING_SUFFIXES
from mediashelf.trees.members import MAX_LEVELS, Bounds

_SUFFIXES = "|".join(map(re.escape, TELLING_SUFFIXES))
_NAMES = "|".join(map(re.escape, sorted(TELLING_NAMES)))
_TELLING = re.compile(f"(?:{_SUFFIXES}|/(?:{_NAMES}))$", re.MULTILINE)
_ODD = ("\\", "\0", ":", "//", "/./", "/../", "/.\n", "/..\n")
"""What may be in the name of a file that a tree leaves out."""
_MOST = Bounds().members
_TOGETHER = 1 << 16  # characters


def packages_of(image: DiscImage) -> PackagesSeen | None:
    """Return the packages in an image that is open, None where it is to be looked into later."""
    volumes, size = image.facts.volumes, image.view.size
    is_plain, tells = _begins_as_disc(image), False
    for volume in volumes:
        is_read = volume.is_complete and volume.entries_read
        is_plain &= is_read and len(volume.entries) <= _MOST
        waiting = ""  # paths of small folders are looked at together
        for folder in iter_folders(volume.entries):  # one by one: there can be a million entries
            waiting += "\n".join([*folder.iter_paths(), ""])
            is_plain = is_plain and _can_be_read(folder, volume.block_size, size)
            if len(waiting) > _TOGETHER:
                is_plain, tells = _seen_in(waiting, is_plain, tells)
                waiting = ""
        is_plain, tells = _seen_in(waiting, is_plain, tells)
    if volumes and is_plain and not tells:
        return PackagesSeen(())
    from mediashelf.jobs.shelves import looking

    return looking.packages_of(image, is_plain=is_plain)


def _begins_as_disc(image: DiscImage) -> bool:
    try:
        return begins_as_disc(image.view)
    except (OSError, MediashelfError):
        return False


def _seen_in(paths: str, is_plain: bool, tells: bool) -> tuple[bool, bool]:
    """Return whether names are still plain, as far as text tells, and whether some is telling."""
    paths = paths.lower()
    if is_plain:
        is_plain = not any(odd in paths for odd in _ODD)
    return is_plain, tells or _TELLING.search(paths) is not None


def _can_be_read(folder: Folder, block_size: int, size: int) -> bool:
    """Tell whether every file of a folder can be read, and none is too deep.

    What cannot may be harmless all the same: the long way says so.
    """
    if folder.path.count("/") >= MAX_LEVELS:
        return False
    lengths = folder.of_files(folder.sizes)
    if folder.extents is None:
        lbas = folder.of_files(folder.lbas)
        ends = (
            lba * block_size + length for lba, length in zip(lbas, lengths, strict=True) if length
        )
        return max(ends, default=0) <= size
    for extents, length in zip(folder.of_files(folder.extents), lengths, strict=True):
        for lba, part, offset in extents:
            if part and lba * block_size + offset + part > size and lba != HOLE:
                return False
            length -= part
        if length:
            return False
    return True
