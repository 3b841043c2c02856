"""Packages in older forms, which no system takes by a device's identifier: never left out.

TXTSETUP.OEM is for text-mode setup, OEMSETUP.INF for Windows 3.1 or, as a script, for
NT systems; a script cannot be judged, since what it copies is decided when it runs.
"""

from __future__ import annotations

from collections.abc import Iterable
from enum import StrEnum

from msgspec import Struct

from mediashelf.drivers.packages.cabinets import BROKEN_OFF, expanded_size
from mediashelf.drivers.packages.checked_files import FAULT_WORDS, FileState
from mediashelf.drivers.packages.finding import PackagesFound
from mediashelf.drivers.packages.tree import PackageTree, TreeFile, folder_of
from mediashelf.errors import MediashelfError
from mediashelf.formats.inf.document import InfKind
from mediashelf.formats.inf.source_files import compressed_names
from mediashelf.formats.inf.text.encoding import decode_inf
from mediashelf.formats.inf.text_setup import disk_files, parse_text_setup
from mediashelf.package_names import TEXT_SETUP_NAME

MAX_TEXT = 1 << 20


class OldKind(StrEnum):
    """What such a package is."""

    TEXT_SETUP = "driver disk for text-mode setup"
    SCRIPT = "setup script for NT systems"
    WINDOWS_3 = "OEMSETUP.INF for Windows 3.1"


class OldPackage(Struct, frozen=True):
    """One package; ``missing`` is None where it cannot be judged."""

    tree: PackageTree
    file: TreeFile
    kind: OldKind
    names: tuple[str, ...] = ()
    identifiers: tuple[str, ...] = ()
    files: tuple[str, ...] = ()
    missing: tuple[str, ...] | None = None

    @property
    def path(self) -> str:
        """Where it is, for people, with the source's prefix."""
        return self.tree.prefix + self.file.shown_path

    @property
    def state_words(self) -> str:
        """Whether its files are there."""
        if self.missing is None:
            return "cannot be judged"
        return f"lacks {', '.join(self.missing)}" if self.missing else "complete"


def find_old_packages(tree: PackageTree, found: PackagesFound) -> list[OldPackage]:
    """Return the packages in older forms, in the order of their paths."""
    packages = [
        package
        for file in tree.iter_ending((TEXT_SETUP_NAME,))
        if file.path and file.name.lower() == TEXT_SETUP_NAME
        for package in [_text_setup(tree, file)]
    ]
    for one in found.others:
        names = disk_files(one.inf)
        if names and "version" not in one.inf.sections:
            missing = _missing(tree, folder_of(one.file.path), names)
            packages.append(
                OldPackage(tree, one.file, OldKind.WINDOWS_3, files=names, missing=missing)
            )
        elif one.inf.kind is InfKind.OEM_SETUP:
            packages.append(OldPackage(tree, one.file, OldKind.SCRIPT))
    return sorted(packages, key=lambda package: package.file.shown_path.lower())


def _text_setup(tree: PackageTree, file: TreeFile) -> OldPackage:
    try:
        setup = parse_text_setup(decode_inf(tree.read(file, MAX_TEXT)).text)
    except (OSError, MediashelfError):
        setup = None
    if setup is None:
        return OldPackage(tree, file, OldKind.TEXT_SETUP)
    # Paths count from the root of the disk, which has this file.
    folder = folder_of(file.path)
    tags = [tag for tag in setup.tags if tree.find(f"{folder}/{tag}") is None]
    missing = (*_missing(tree, folder, setup.files), *tags)
    return OldPackage(
        tree, file, OldKind.TEXT_SETUP, setup.names, setup.hardware_ids, setup.files, missing
    )


def _missing(tree: PackageTree, folder: str, paths: Iterable[str]) -> tuple[str, ...]:
    """Return the files that are not there, or not whole as far as their lengths tell."""
    labels = []
    for path in paths:
        forms = ((form, tree.find(f"{folder}/{form}")) for form in (path, *_compressed(path)))
        form, file = next((pair for pair in forms if pair[1] is not None), ("", None))
        state = _fault(tree, file, is_packed=form != path) if file is not None else None
        if file is None or state is not None:
            labels.append(f"{path} ({FAULT_WORDS[state]})" if state is not None else path)
    return tuple(labels)


def _fault(tree: PackageTree, file: TreeFile, *, is_packed: bool) -> FileState | None:
    if file.is_cut:
        return FileState.PAST_END
    size = expanded_size(tree, file) if is_packed else file.size
    return FileState.CUT_SHORT if size in (0, BROKEN_OFF) else None


def _compressed(path: str) -> list[str]:
    folder, slash, name = path.rpartition("/")
    return [folder + slash + form for form in compressed_names(name)]
