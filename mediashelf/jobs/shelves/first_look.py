"""Whether an image can hold driver packages at all, told by the names of its files.

Light to load: what reads packages is not needed for a disc without any.
"""

from __future__ import annotations

import re

from mediashelf.catalogue.packages.looked_into import PackagesSeen
from mediashelf.errors import MediashelfError
from mediashelf.formats.entries import iter_folders
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
    volumes = image.facts.volumes
    paths = [_joined_paths(volume) for volume in volumes]
    is_plain = _begins_as_disc(image) and all(
        _is_plain(volume, text, image.view.size)
        for volume, text in zip(volumes, paths, strict=True)
    )
    if volumes and is_plain and not any(map(_TELLING.search, paths)):
        return PackagesSeen(())
    from mediashelf.jobs.shelves import looking

    return looking.packages_of(image, is_plain=is_plain)


def _begins_as_disc(image: DiscImage) -> bool:
    try:
        return begins_as_disc(image.view)
    except (OSError, MediashelfError):
        return False


def _joined_paths(volume: VolumeFacts) -> str:
    """Return all paths in lower case, one a line."""
    folders = iter_folders(volume.entries)
    return "\n".join([*(path for each in folders for path in each.iter_paths()), ""]).lower()


def _is_plain(volume: VolumeFacts, paths: str, size: int) -> bool:
    """Tell whether every file of a tree can be read, under a safe name.

    What is not plain may be harmless all the same: the long way says so.
    """
    if not volume.is_complete or not volume.entries_read or len(volume.entries) > _MOST:
        return False
    if any(odd in paths for odd in _ODD):
        return False
    if max([path.count("/") for path in paths.split("\n")]) > MAX_LEVELS:
        return False
    block = volume.block_size
    for _, _, length, is_directory, extents, _, _, _ in volume.entries:
        if is_directory:
            continue
        for lba, part, offset in extents:
            if part and lba * block + offset + part > size and lba != HOLE:
                return False
            length -= part
        if length:
            return False
    return True
