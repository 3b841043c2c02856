"""Whether an image can hold driver packages at all, told by the names of its files.

Light to load: what reads packages is not needed for a disc without any.
"""

from __future__ import annotations

import re

from mediashelf.catalogue.packages.looked_into import PackagesSeen
from mediashelf.errors import MediashelfError
from mediashelf.formats.volume import HOLE, VolumeFacts
from mediashelf.image import DiscImage, begins_as_disc
from mediashelf.package_names import TELLING_NAMES, TELLING_SUFFIXES
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
    paths = [entry[0] for entry in volume.entries]  # by number, as there can be 100,000
    text = "\n".join([*paths, ""]).lower()
    if any(odd in text for odd in _ODD) or _TELLING.search(text):
        return False
    if max([path.count("/") for path in paths], default=0) > MAX_LEVELS:
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
