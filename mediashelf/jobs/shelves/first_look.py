"""Whether an image can hold driver packages at all, told by the names of its files.

Light to load: what reads packages is not needed for a disc without any.
"""

from __future__ import annotations

import re

from mediashelf.catalogue.packages.looked_into import PackagesSeen
from mediashelf.errors import MediashelfError
from mediashelf.image import DiscImage
from mediashelf.trees.disc import DiscTree
from mediashelf.trees.members import Bounds
from mediashelf.trees.opening import iter_gaps
from mediashelf.trees.wrappings import Wrapping, detect_wrapping

_TELLING = re.compile(
    r"\.(inf|sys|com|exe|dos)$|/((setup|install|instalar|inst)\.bat|txtsetup\.oem)$",
    re.IGNORECASE | re.MULTILINE,
)
"""Names of files that a package is known by, as :mod:`mediashelf.drivers.packages` has them."""


def packages_of(image: DiscImage) -> PackagesSeen | None:
    """Return the packages in an image that is open, None where it is to be looked into later."""
    if _holds_none(image):
        return PackagesSeen(())
    from mediashelf.jobs.shelves import looking

    return looking.packages_of(image)


def _holds_none(image: DiscImage) -> bool:
    """Tell whether all files of a disc could be listed, and none of them tells of a package."""
    facts = image.facts
    if not facts.volumes or any(
        _TELLING.search("\n".join([entry[0] for entry in volume.entries]))
        for volume in facts.volumes
    ):
        return False
    try:
        if detect_wrapping(image.view) is not Wrapping.DISC:
            return False
        return next(iter_gaps(DiscTree(str(image.path), image, Bounds())), None) is None
    except (OSError, MediashelfError):
        return False
