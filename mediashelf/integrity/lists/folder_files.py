"""The regular files below a folder, by name, without ever leaving the folder."""

from __future__ import annotations

import os
from pathlib import Path

from msgspec import Struct

from mediashelf.errors import InputError
from mediashelf.findings import Finding, Severity


class FolderFiles(Struct, frozen=True):
    """What is below ``folder``.

    ``sizes`` maps the name of every regular file (relative to the folder, parts
    joined by ``/``) to its size in bytes, in the order of the names' bytes.
    ``findings`` name what was passed over: links that lead out, devices, folders
    that cannot be read.
    """

    folder: Path
    sizes: dict[str, int]
    findings: tuple[Finding, ...]

    @property
    def closed(self) -> tuple[str, ...]:
        """Names of the folders that cannot be read."""
        return tuple(one.where for one in self.findings if one.rule == "folder-is-readable")

    def path(self, name: str) -> Path:
        """Return where the file ``name``, one of ``sizes``, can be opened."""
        return self.folder / name


def list_folder(folder: Path) -> FolderFiles:
    """Return the files below ``folder``.

    Links to folders are not followed; a link to a regular file counts as that
    file when it stays inside the folder. Raises :class:`InputError` when
    ``folder`` itself is not a folder or cannot be read.
    """
    try:
        root = folder.resolve(strict=True)
        if not root.is_dir():
            raise InputError(f"{folder}: is not a folder")
        os.scandir(root).close()
    except OSError as error:
        raise InputError(f"{folder}: cannot be read: {error.strerror or error}") from error
    findings: list[Finding] = []
    sizes: dict[str, int] = {}
    waiting = [""]
    while waiting:
        name = waiting.pop()
        try:
            with os.scandir(root / name) as entries:
                for entry in entries:
                    below = f"{name}/{entry.name}" if name else entry.name
                    if entry.is_dir(follow_symlinks=False):
                        waiting.append(below)
                        continue
                    size = _regular_size(entry, root)
                    if size is None:
                        findings.append(_passed_over(below))
                    else:
                        sizes[below] = size
        except OSError as error:
            findings.append(_unreadable_folder(name, error))
    ordered = dict(sorted(sizes.items(), key=lambda item: os.fsencode(item[0])))
    return FolderFiles(root, ordered, tuple(sorted(findings, key=lambda item: item.where)))


def _regular_size(entry: os.DirEntry[str], root: Path) -> int | None:
    """Return the size of a regular file inside ``root``, None for anything else."""
    try:
        if entry.is_symlink():
            target = Path(entry.path).resolve(strict=True)
            if not (target.is_relative_to(root) and target.is_file()):
                return None
            return target.stat().st_size
        return entry.stat().st_size if entry.is_file(follow_symlinks=False) else None
    except (OSError, RuntimeError):  # gone meanwhile, or a loop of links
        return None


def _passed_over(name: str) -> Finding:
    return Finding(
        rule="only-regular-files-are-read",
        severity=Severity.NOTE,
        where=name,
        message="is a link that leads elsewhere, a device or a pipe, and was passed over",
        remedy="put a regular file here if its bytes matter",
    )


def _unreadable_folder(name: str, error: OSError) -> Finding:
    return Finding(
        rule="folder-is-readable",
        severity=Severity.ERROR,
        where=name or ".",
        message=f"this folder cannot be read: {error.strerror or error}",
        remedy="check its permissions and the disk, then run again",
    )
