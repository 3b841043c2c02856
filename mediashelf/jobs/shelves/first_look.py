"""Whether an image can hold driver packages at all, told by the names of its files.

Light to load: what reads packages is not needed for a disc without any.
"""

from __future__ import annotations

import re

from mediashelf.catalogue.packages.looked_into import PackagesSeen
from mediashelf.errors import MediashelfError
from mediashelf.formats.entries import Folder, iter_folders
from mediashelf.formats.lists.package_names import TELLING_NAMES, TELLING_SUFFIXES
from mediashelf.formats.volume import HOLE, VolumeFacts
from mediashelf.image import DiscImage, begins_as_disc
from mediashelf.trees.members import MAX_LEVELS, Bounds

_SUFFIXES = "|".join(map(re.escape, TELLING_SUFFIXES))
_NAMES = "|".join(map(re.escape, sorted(TELLING_NAMES)))
_TELLING = re.compile(f"(?:{_SUFFIXES}|/(?:{_NAMES}))$", re.MULTILINE)
_ODD = ("\\", "\0", ":", "//", "/./", "/../", "/.\n", "/..\n")
"""What may be in the name of a file that a tree leaves out."""
_MOST = Bounds().members


def packages_of(image: DiscImage) -> PackagesSeen | None:
    """Return the packages in an image that is open, None where it is to be looked into later."""
    if _holds_none(image):
        return PackagesSeen(())
    from mediashelf.jobs.shelves import looking

    return looking.packages_of(image)


def _holds_none(image: DiscImage) -> bool:
    """Tell whether all files of a disc could be listed, and none of them tells of a package."""
    volumes = image.facts.volumes
    if not volumes or not all(_is_plain(volume, image.view.size) for volume in volumes):
        return False
    try:
        return begins_as_disc(image.view)
    except (OSError, MediashelfError):
        return False


def _is_plain(volume: VolumeFacts, size: int) -> bool:
    """Tell whether every file of a tree can be read, under a safe name that tells of no package.

    What is not plain may be harmless all the same: the long way says so.
    """
    if not volume.is_complete or not volume.entries_read or len(volume.entries) > _MOST:
        return False
    # Folder by folder, as there can be a million entries.
    return all(
        _is_plain_folder(each, volume.block_size, size) for each in iter_folders(volume.entries)
    )


def _is_plain_folder(folder: Folder, block_size: int, size: int) -> bool:
    if folder.path.count("/") >= MAX_LEVELS:
        return False
    text = "\n".join([*folder.iter_paths(), ""]).lower()
    if any(odd in text for odd in _ODD) or _TELLING.search(text):
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
