"""What was found of the files that a package needs, as values: states, and words for them."""

from __future__ import annotations

from enum import StrEnum

from msgspec import Struct

from mediashelf.drivers.packages.finding import Package
from mediashelf.formats.inf.copying import NeededFile


class FileState(StrEnum):
    """How a needed file was found."""

    PRESENT = "present"
    COMPRESSED = "compressed"
    IN_CABINET = "in-cabinet"
    CABINET_UNREAD = "cabinet-unread"  # the cabinet is there, and is cut short or damaged
    CUT_SHORT = "cut-short"  # it has fewer bytes than the INF says, or none at all
    PAST_END = "past-end"  # bytes of it, or of its cabinet, are past the end of the image
    FROM_SYSTEM = "from-system"  # an INF of the system tells where it is
    OTHER_ROOT = "other-root"  # where the path says, counted from the root of its disk
    FOUND_ABOVE = "found-above"  # the same, with nothing to tell that the root is meant
    HIDDEN_NAME = "hidden-name"  # only under a name that the target does not see
    SHORT_NAME = "short-name"  # only under the short name, where long names are read
    MISSING = "missing"
    NO_LIST = "no-list"  # a section that CopyFiles names and nothing has: no file at all
    NO_SECTION = "no-section"  # the same of Needs
    NO_DISK = "no-disk"  # the INF says that it is on a disk which it does not define

    @property
    def is_usable(self) -> bool:
        """Whether setup finds the file whole, perhaps after asking for its disk."""
        return self not in _UNUSABLE

    @property
    def is_there(self) -> bool:
        """Whether there is a file under the name that is asked for, in whatever state."""
        return self not in _NOT_THERE


_UNUSABLE = frozenset(
    (
        FileState.CABINET_UNREAD,
        FileState.CUT_SHORT,
        FileState.FOUND_ABOVE,
        FileState.HIDDEN_NAME,
        FileState.MISSING,
        FileState.NO_DISK,
        FileState.NO_LIST,
        FileState.NO_SECTION,
        FileState.PAST_END,
    )
)
_NOT_THERE = (
    FileState.HIDDEN_NAME,
    FileState.MISSING,
    FileState.NO_LIST,
    FileState.NO_SECTION,
)
FAULT_WORDS = {
    FileState.CABINET_UNREAD: "in a cabinet that is cut short or damaged",
    FileState.CUT_SHORT: "cut short",
    FileState.FOUND_ABOVE: "found outside the package",
    FileState.NO_DISK: "on a disk that the INF does not define",
    FileState.NO_LIST: "no such section",
    FileState.NO_SECTION: "no such section",
    FileState.PAST_END: "past the end of the image",
}
"""What is wrong with files, apart from those that are just not there."""


class FileCheck(Struct, frozen=True):
    """One needed file with its state. ``path`` is where it is; for a missing one, where to put it.

    ``elsewhere`` is some file of the same name for a missing one, or empty.
    ``found_size`` is that of the file itself, -1 where it is not known.
    """

    needed: NeededFile
    state: FileState
    path: str
    elsewhere: str = ""
    found_size: int = -1

    @property
    def fault(self) -> str:
        """What is wrong where it is not just that the file is missing; else empty."""
        return FAULT_WORDS.get(self.state, "")

    @property
    def label(self) -> str:
        """The name, and what is wrong where the file is not just missing."""
        return f"{self.needed.name} ({self.fault})" if self.fault else self.needed.name


class PackageCheck(Struct, frozen=True):
    """How whole a package is for one family.

    ``installs`` are the install sections that were looked at, ``tags`` the tag files
    that are there, ``missing_tags`` those and ``missing_catalog`` the catalog that are
    not; ``not_followed`` are INFs outside the package that it builds on.
    """

    package: Package
    installs: tuple[str, ...]
    files: tuple[FileCheck, ...]
    tags: tuple[str, ...] = ()
    missing_tags: tuple[str, ...] = ()
    missing_catalog: str = ""
    not_followed: tuple[str, ...] = ()

    @property
    def missing(self) -> tuple[FileCheck, ...]:
        """The files that setup will not find whole."""
        return tuple(check for check in self.files if not check.state.is_usable)

    @property
    def of_system(self) -> tuple[str, ...]:
        """The names of files that an INF of the system tells the place of: not looked for."""
        listed = (one.needed.name for one in self.files if one.state is FileState.FROM_SYSTEM)
        return tuple(dict.fromkeys(listed))
