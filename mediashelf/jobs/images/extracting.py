"""Files and folders out of an image or archive: whole, under safe names, read back."""

from __future__ import annotations

import hashlib
import os
import unicodedata
from collections.abc import Iterator, Sequence
from contextlib import suppress
from pathlib import Path, PurePosixPath

from msgspec import Struct

from mediashelf.errors import InputError, OutputError
from mediashelf.files import host_name, whole_folder
from mediashelf.findings import Finding, Severity
from mediashelf.formats.volume import VolumeKind
from mediashelf.jobs.progress import OnWork, Progress, no_progress
from mediashelf.system import flush_descriptor
from mediashelf.trees.members import MemberKind, Parts, TreeMember, remedy_for
from mediashelf.trees.opening import open_tree
from mediashelf.trees.tree import Tree


class ExtractedFile(Struct, frozen=True):
    """One file; ``path`` is where it was in the tree, ``to`` its path below the folder."""

    path: str
    to: str
    size: int
    sha256: str


class Extraction(Struct, frozen=True):
    """What was taken out of ``source``, which is of this ``form``."""

    source: str
    form: str
    folder: Path
    files: tuple[ExtractedFile, ...]
    folder_count: int
    findings: tuple[Finding, ...]

    @property
    def size(self) -> int:
        """The bytes of all files."""
        return sum(file.size for file in self.files)


def extract_files(
    place: str | Path,
    paths: Sequence[str],
    folder: Path,
    *,
    kind: VolumeKind | None = None,
    progress: Progress = no_progress,
) -> Extraction:
    """Take files and folders out of what is at ``place``, all of it without ``paths``.

    A file or folder that is named keeps its own name below ``folder``. What cannot be read
    is a finding, and the rest is there. Nothing that exists is replaced; see
    :func:`.whole_folder`. Raises :class:`InputError` for a place or path that is not there,
    and :class:`OutputError` for what cannot be written.
    """
    with open_tree(place, kind=kind) as tree:
        wanted = list(_wanted(tree, paths))
        total = sum(member.size for member, _ in wanted)
        findings = [*tree.findings, *tree.notes]
        with whole_folder(folder) as top, progress("extracting", total=total) as on_bytes:
            work = _Work(tree, top, findings, on_bytes)
            for member, parts in wanted:
                work.take(member, parts)
        return Extraction(
            tree.where, tree.form, folder, tuple(work.files), work.folder_count, tuple(findings)
        )


def _wanted(tree: Tree, paths: Sequence[str]) -> Iterator[tuple[TreeMember, Parts]]:
    """Yield the members that are asked for, each with its path below the folder."""
    if not paths:
        yield from ((member, member.parts) for member in tree.members)
        return
    for path in paths:
        parts = tuple(part for part in path.replace("\\", "/").split("/") if part not in ("", "."))
        if not parts:  # "/": everything
            yield from _wanted(tree, ())
            continue
        found = tree.find(parts)
        if found is None:
            raise InputError(f"{tree.where}: has no file or folder {path!r}")
        above = len(found.parts) - 1
        if not found.is_folder:
            yield found, found.parts[above:]
            continue
        yield TreeMember(found.parts, 0, None, MemberKind.FOLDER), found.parts[above:]
        for member in tree.members:
            if len(member.parts) > above + 1 and member.parts[: above + 1] == found.parts:
                yield member, member.parts[above:]


class _Work:
    """Writes the members of one tree below a folder."""

    def __init__(self, tree: Tree, top: Path, findings: list[Finding], on_bytes: OnWork) -> None:
        self._tree = tree
        self._top = top
        self._findings = findings
        self._on_bytes = on_bytes
        self._names: dict[Parts, Parts] = {(): ()}
        self._taken: set[str] = set()
        self.files: list[ExtractedFile] = []
        self.folder_count = 0

    def take(self, member: TreeMember, parts: Parts) -> None:
        """Write one member."""
        self._on_bytes.show(member.path)
        if member.unreadable is not None:
            self._leave_out(member, member.unreadable.rule, member.unreadable.reason)
        elif member.is_folder:
            self._folder(parts)
        else:
            self._file(member, parts)

    def _folder(self, parts: Parts) -> Parts:
        """Make a folder that is not there yet; returns its path under names of the host."""
        known = self._names.get(parts)
        if known is None:
            above = self._folder(parts[:-1])
            known = self._names[parts] = self._free((*above, host_name(parts[-1])), parts)
            self._top.joinpath(*known).mkdir()
            self.folder_count += 1
        return known

    def _free(self, wanted: Parts, parts: Parts) -> Parts:
        """Return a path that nothing else has, also where cases or composed letters are equal."""
        path = PurePosixPath(wanted[-1])
        free, number = wanted, 1
        while _same_on_hosts(free) in self._taken:
            number += 1
            free = (*wanted[:-1], f"{path.stem}~{number}{path.suffix}")
        self._taken.add(_same_on_hosts(free))
        if free[-1] != parts[-1]:
            where = self._tree.where_is(TreeMember(parts, 0, None))
            self._findings.append(
                Finding(
                    "name-changed-for-host",
                    Severity.WARNING,
                    where,
                    f"is written as {free[-1]}: its own name is taken, or not safe on every system",
                )
            )
        return free

    def _file(self, member: TreeMember, parts: Parts) -> None:
        names = self._free((*self._folder(parts[:-1]), host_name(parts[-1])), parts)
        path = self._top.joinpath(*names)
        hasher = hashlib.sha256(usedforsecurity=False)
        try:
            with path.open("xb") as file:
                for piece in self._tree.stream(member):
                    hasher.update(piece)
                    file.write(piece)
                    self._on_bytes(len(piece))
                file.flush()
                flush_descriptor(file.fileno())
        except InputError as error:
            path.unlink(missing_ok=True)
            where = self._tree.where_is(member)
            self._leave_out(member, "member-unreadable", str(error).removeprefix(f"{where}: "))
            return
        if member.modified is not None:
            with suppress(OSError, OverflowError):
                os.utime(path, (member.modified, member.modified))
        digest = hasher.hexdigest()
        with path.open("rb") as file:
            if hashlib.file_digest(file, "sha256").hexdigest() != digest:
                raise OutputError(
                    f"{path}: reads back other bytes than were written; check the disk"
                )
        self.files.append(ExtractedFile(member.path, "/".join(names), member.size, digest))

    def _leave_out(self, member: TreeMember, rule: str, reason: str) -> None:
        is_link = member.kind in (MemberKind.LINK, MemberKind.SPECIAL)
        reason, _, remedy = reason.partition("; ")  # some reasons say what to do as well
        self._findings.append(
            Finding(
                rule,
                Severity.WARNING if is_link else Severity.ERROR,
                self._tree.where_is(member),
                f"not extracted: {reason}",
                "" if is_link else remedy or remedy_for(reason),
            )
        )


def _same_on_hosts(parts: Parts) -> str:
    """Return what is equal for paths that some host takes for the same."""
    return unicodedata.normalize("NFC", "/".join(parts)).casefold()
