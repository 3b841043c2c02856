"""What is kept of packages without a driver INF: DOS drivers, setup programs, older forms.

Which devices they are for, only their own files can tell: identifiers are looked for in
them as texts and programs write them.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import NamedTuple

from mediashelf.drivers.packages.dos_packages import DosPackage, find_dos_packages
from mediashelf.drivers.packages.finding import PackagesFound
from mediashelf.drivers.packages.old_packages import find_old_packages
from mediashelf.drivers.packages.tree import PackageTree
from mediashelf.errors import MediashelfError

MAX_READ = 256 << 10
"""Bytes of a program or text that are searched for identifiers."""
MOST_NAMED = 256
MOST_FILES = 256

_CHIP = re.compile(
    rb"ven_([0-9a-f]{4})&dev_([0-9a-f]{4})"
    rb"|(?<![0-9a-f:])([0-9a-f]{4}):([0-9a-f]{4})(?![0-9a-f:])",
    re.IGNORECASE,
)
_PLUG_AND_PLAY = re.compile(rb"\*[a-z]{3}[0-9a-f]{4}(?![0-9a-z])", re.IGNORECASE)


class KeptOther(NamedTuple):
    """One package that no system takes by itself.

    ``kind`` is ``dos`` or ``old``; ``path`` a folder or a file; ``title`` says in words
    what it is. ``missing`` is None where that cannot be judged.
    """

    kind: str
    path: str
    title: str
    names: tuple[str, ...] = ()
    files: tuple[str, ...] = ()
    identifiers: tuple[str, ...] = ()
    missing: tuple[str, ...] | None = None


def keep_others(tree: PackageTree, found: PackagesFound) -> Iterator[KeptOther]:
    """Yield what is to be kept of each, by folder; one that DOS loads is kept as such."""
    seen = set()
    for is_dos in (True, False):
        for package in find_dos_packages(tree, found, "", is_dos=is_dos):
            if package.folder not in seen:
                seen.add(package.folder)
                yield KeptOther(
                    "dos",
                    tree.prefix + package.folder,
                    package.kind.value,
                    files=(*package.files, *package.texts)[:MOST_FILES],
                    identifiers=_named_in(package),
                )
    for old in find_old_packages(tree, found):
        yield KeptOther(
            "old",
            old.path,
            old.kind.value,
            old.names[:MOST_FILES],
            old.files[:MOST_FILES],
            old.identifiers[:MOST_NAMED],
            old.missing,
        )


def _named_in(package: DosPackage) -> tuple[str, ...]:
    found: dict[str, None] = {}
    for name in (*package.files, *package.texts):
        file = package.tree.find(f"{package.folder.rstrip('/')}/{name}")
        if file is None:
            continue
        try:
            found.update(dict.fromkeys(identifiers_in(package.tree.read(file, MAX_READ))))
        except (OSError, MediashelfError):
            continue
        if len(found) > MOST_NAMED:
            break
    return tuple(found)[:MOST_NAMED]


def identifiers_in(data: bytes) -> Iterator[str]:
    r"""Yield the chips that bytes name, as ``PCI\VEN_…&DEV_…`` or ``f4b9:0100``, and ``*PNP…``."""
    for match in _CHIP.finditer(data):
        vendor, device = (match[1], match[2]) if match[1] else (match[3], match[4])
        yield f"PCI\\VEN_{vendor.decode()}&DEV_{device.decode()}".upper()
    for match in _PLUG_AND_PLAY.finditer(data):
        yield match[0].decode().upper()
