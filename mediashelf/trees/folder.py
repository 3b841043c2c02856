"""A folder on the host as a tree.

Links to files below the same folder are the files they lead to; other links are members that
cannot be read. Devices, FIFOs and sockets are never opened.
"""

from __future__ import annotations

import os
import stat
from collections.abc import Iterator
from pathlib import Path

from mediashelf.errors import InputError
from mediashelf.findings import Finding, Severity
from mediashelf.system import real_path
from mediashelf.trees.columns import MemberColumns
from mediashelf.trees.members import Bounds, MemberKind, Parts, TreeMember, Unreadable
from mediashelf.trees.tree import CHUNK, Tree

_OPEN_FLAGS = (
    os.O_RDONLY
    # What became a FIFO or a link since it was listed must neither stop us nor lead us elsewhere.
    | getattr(os, "O_NONBLOCK", 0)
    | getattr(os, "O_NOFOLLOW", 0)
    | getattr(os, "O_CLOEXEC", 0)
    | getattr(os, "O_BINARY", 0)
)


_Facts = tuple[int, int | None, MemberKind, Unreadable | None, object]
"""Size, date, kind, why it cannot be read, and handle of a member."""


class FolderTree(Tree):
    """The files below a folder, by name. Raises :class:`InputError` when it cannot be listed."""

    _separator = "/"

    def __init__(self, path: Path, bounds: Bounds) -> None:
        super().__init__(str(path), "folder")
        self._top = real_path(path)
        findings: list[Finding] = []
        members = MemberColumns()
        for parts, name, facts in self._walk(findings):
            if len(members) == bounds.members:
                findings.append(
                    _not_listed(str(path), f"it has more than {bounds.members:,} files and folders")
                )
                break
            members.enter(parts)
            members.add(name, *facts)
        self.members = members
        self.findings = tuple(findings)

    def _walk(self, findings: list[Finding]) -> Iterator[tuple[Parts, str, _Facts]]:
        """Yield the folder and the name of each member, and all else that is said of it."""
        waiting: list[tuple[str, Parts]] = [(self._top, ())]
        while waiting:
            path, parts = waiting.pop()
            try:
                listed = list_folder(path)
            except OSError as error:
                reason = error.strerror or str(error)
                if not parts:
                    raise InputError(f"{self.where}: cannot be read: {reason}") from error
                findings.append(_not_listed(path, f"cannot be read: {reason}"))
                continue
            folders = []
            for entry in listed:
                try:
                    if entry.is_dir(follow_symlinks=False):
                        folders.append((entry.path, (*parts, entry.name)))
                        yield parts, entry.name, (0, None, MemberKind.FOLDER, None, None)
                    else:
                        yield parts, entry.name, self._look(entry)
                except OSError as error:
                    findings.append(
                        _not_listed(entry.path, f"cannot be read: {error.strerror or error}")
                    )
            waiting += reversed(folders)

    def _look(self, entry: os.DirEntry[str]) -> _Facts:
        path = entry.path
        if entry.is_symlink():
            path, reason = follow_link(path, self._top)
            if reason:
                refusal = Unreadable("link-left-out", f"it is a symbolic link that {reason}")
                return 0, None, MemberKind.LINK, refusal, None
        facts = os.stat(path, follow_symlinks=False)  # noqa: PTH116
        modified = facts.st_mtime_ns // 1_000_000_000
        if not stat.S_ISREG(facts.st_mode):
            refusal = Unreadable("special-file-left-out", "it is a device, FIFO or socket")
            return 0, modified, MemberKind.SPECIAL, refusal, None
        # Where a link leads is kept; other paths are made again: there can be a million of them.
        handle = path if path != entry.path else None
        return facts.st_size, modified, MemberKind.FILE, None, handle

    def host_path(self, member: TreeMember) -> str:
        return str(member.handle or os.path.join(self._top, *member.parts))  # noqa: PTH118

    def _stream(self, member: TreeMember) -> Iterator[bytes]:
        path = self.host_path(member)
        try:
            with open(os.open(path, _OPEN_FLAGS), "rb", buffering=0) as file:  # noqa: PTH123
                if not stat.S_ISREG(os.fstat(file.fileno()).st_mode):
                    raise InputError(f"{path}: is not a regular file any more")
                left = member.size
                while left:
                    piece = file.read(min(left, CHUNK))
                    if not piece:
                        raise InputError(f"{path}: shrank while it was read; try again")
                    left -= len(piece)
                    yield piece
                if file.read(1):
                    raise InputError(f"{path}: grew while it was read; try again")
        except OSError as error:
            raise InputError(f"{path}: cannot be read: {error.strerror or error}") from error


def list_folder(path: str) -> list[os.DirEntry[str]]:
    """Return what is in a folder, by name; raises ``OSError``."""
    with os.scandir(path) as entries:
        return sorted(entries, key=lambda entry: entry.name)


def follow_link(path: str, top: str, top_words: str = "folder") -> tuple[str, str]:
    """Return what a link leads to, and why it is not taken: empty for a file below ``top``."""
    target = os.path.realpath(path)
    if not os.path.exists(target):  # noqa: PTH110
        return target, "leads to nothing"
    if not Path(target).is_relative_to(top):
        return target, f"leads out of its {top_words}"
    if os.path.isdir(target):  # noqa: PTH112
        return target, "leads to a folder"
    return target, ""


def _not_listed(where: str, fact: str) -> Finding:
    return Finding(
        "listing-incomplete",
        Severity.WARNING,
        where,
        f"{fact}; what is in it is not listed",
        "give yourself read permission, or name a smaller folder",
    )
