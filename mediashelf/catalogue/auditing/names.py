"""Which images an audit reads, from what the person named."""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from pathlib import Path

from msgspec import Struct
from msgspec.structs import replace

from mediashelf.catalogue.keeping.naming import image_named, images_named
from mediashelf.catalogue.rows import ImageRow, Presence, ShelfRow
from mediashelf.catalogue.scanning.image_names import SHEET_SUFFIX
from mediashelf.catalogue.scanning.other_folder import other_folder
from mediashelf.catalogue.scanning.presence import Absences, FileSystems
from mediashelf.catalogue.scanning.walk import SeenImage, walk_folder
from mediashelf.catalogue.store import Catalogue
from mediashelf.errors import InputError
from mediashelf.findings import Finding, Severity
from mediashelf.system import real_path


class AuditJob(Struct, frozen=True):
    """One image to audit; ``row`` is its record where it has one.

    ``where`` names it for people: shelf and path, or the path as it was given.
    ``size`` is what is to be read, 0 where the file is not here. ``other_folder`` says that
    what is in its shelf's place is not the shelf, or is empty.
    """

    path: Path
    where: str
    row: ImageRow | None
    presence: Presence
    size: int = 0
    other_folder: str = ""

    @property
    def is_sheet(self) -> bool:
        """True for a cue sheet, which has no structure of a disc."""
        return self.path.suffix.lower() == SHEET_SUFFIX


def plan_audit(
    catalogue: Catalogue, names: Sequence[str] = (), unlisted: list[Finding] | None = None
) -> list[AuditJob]:
    """Return the images that the names mean, each once; without names, all shelves.

    A name is that of a shelf, or a file or folder, on record or not, or what
    :func:`images_named` takes. A shelf or folder means everything that is
    recorded in it, and every image file in it that is not; a finding is added to ``unlisted``
    for each folder where those could not be looked for. Raises
    :class:`InputError` for a name that means nothing, or more than one image.
    """
    planner = _Planner(catalogue)
    jobs: dict[Path, AuditJob] = {}
    if not names:
        for shelf in planner.shelves.values():
            for job in planner.of_folder(shelf.root):
                jobs.setdefault(job.path, job)
    for name in names:
        for job in planner.of_name(name):
            jobs.setdefault(job.path, job)
    if unlisted is not None:
        unlisted += planner.unlisted.values()
    return list(jobs.values())


def recorded_image(catalogue: Catalogue, name: str) -> ImageRow:
    """Return the one recorded image that a name means, whether its file is here or not.

    A name is the path of a file, or what :func:`image_named` takes. Raises
    :class:`InputError` for anything else.
    """
    row = catalogue.image_by_path(Path(name))
    if row is not None:
        return row
    if os.path.lexists(name):
        what = (
            "is a folder; name one image"
            if Path(name).is_dir()
            else "is not on record; scan its shelf first"
        )
        raise InputError(f"{name}: {what}")
    if name.lower() in _Planner(catalogue).shelves:
        raise InputError(f"{name}: is a shelf; name one image")
    return image_named(catalogue, name)


class _Planner:
    def __init__(self, catalogue: Catalogue) -> None:
        self._catalogue = catalogue
        self._file_systems = FileSystems()
        self._others: dict[str, str] = {}  # by shelf: that its folder is not the shelf
        self.unlisted: dict[Path, Finding] = {}
        self.shelves = {shelf.name.lower(): shelf for shelf in catalogue.shelves()}

    def of_name(self, name: str) -> Iterator[AuditJob]:
        shelf = self.shelves.get(name.lower())
        path = Path(name)
        if shelf is not None:
            yield from self.of_folder(shelf.root)
        elif os.path.isdir(path):  # noqa: PTH112 - which tells of no folder that is closed
            yield from self.of_folder(path)
        else:
            row = self._catalogue.image_by_path(path)
            if row is None and os.path.lexists(path):
                yield _unrecorded(path, name)
                return
            for one in [row] if row is not None else images_named(self._catalogue, name):
                yield self._recorded(one)

    def _recorded(self, row: ImageRow) -> AuditJob:
        if _may_be_here(row.file):
            return _job(row, Presence.HERE)
        absences = Absences(row.root, self._file_systems, ())
        presence, _ = absences.judge(row.path, row.file_system)
        return self._absent(row, presence if row.root.is_dir() else Presence.AWAY)

    def _absent(self, row: ImageRow, presence: Presence) -> AuditJob:
        """A missing image is away if what is in its shelf's place is not the shelf."""
        job = _job(row, presence)
        if presence is not Presence.MISSING or row.presence is Presence.MISSING:
            return job
        if row.shelf not in self._others:
            rows = self._catalogue.images(shelf=row.shelf)
            self._others[row.shelf] = other_folder(
                self._catalogue.db, row.root, rows, self._file_systems
            )
        other = self._others[row.shelf]
        return replace(job, presence=Presence.AWAY, other_folder=other) if other else job

    def of_folder(self, folder: Path) -> Iterator[AuditJob]:
        """Yield what is recorded or found in a folder, in the order of paths."""
        shelf, inner = self._shelf_of(folder)
        rows = {}
        if shelf is not None:
            rows = {
                row.path.removeprefix(inner): row
                for row in self._catalogue.images(shelf=shelf.name)
                if row.path.startswith(inner)
            }
        walk = walk_folder(folder, self._file_systems, rows)
        if walk.is_refused:
            self._note_unlisted(folder, walk.problem)
        for name, reason in walk.unread_folders.items():
            self._note_unlisted(folder / name, reason)
        found = [
            (rows[path].file_system, seen.file_system)
            for path, seen in walk.images.items()
            if path in rows and rows[path].size == seen.size
        ]
        absences = Absences(folder, self._file_systems, found)
        for path in sorted({*rows, *walk.images}):
            row, seen = rows.get(path), walk.images.get(path)
            if seen is not None:
                yield self._seen(folder, seen, row, shelf, inner)
            elif row is not None:
                presence, _ = absences.judge(path, row.file_system)
                if walk.is_refused or any(path.startswith(f"{o}/") for o in walk.unread_folders):
                    yield _job(row, Presence.HERE)  # what reads it will say why it cannot
                else:
                    yield self._absent(row, Presence.AWAY if walk.problem else presence)

    def _note_unlisted(self, folder: Path, reason: str) -> None:
        self.unlisted[folder] = Finding(
            "folder-is-readable",
            Severity.WARNING,
            str(folder),
            f"this folder could not be listed: {reason}; images in it without a record were not "
            "looked for",
            remedy="check its permissions and the disk, and audit again",
        )

    def _seen(
        self,
        folder: Path,
        seen: SeenImage,
        row: ImageRow | None,
        shelf: ShelfRow | None,
        inner: str,
    ) -> AuditJob:
        if row is not None:
            return _job(row, Presence.HERE, seen.size)
        path = folder / seen.path
        where = str(path) if shelf is None else f"{shelf.name}: {inner}{seen.path}"
        return AuditJob(path, where, None, Presence.HERE, seen.size)

    def _shelf_of(self, folder: Path) -> tuple[ShelfRow | None, str]:
        """Return the shelf that holds a folder, and the folder's path in it with a final slash."""
        for shelf in self.shelves.values():
            for place, root in (
                (folder.absolute(), shelf.root),
                (Path(real_path(folder)), Path(real_path(shelf.root))),
            ):
                if place == root:
                    return shelf, ""
                if place.is_relative_to(root):
                    return shelf, place.relative_to(root).as_posix() + "/"
        return None, ""


def _may_be_here(file: Path) -> bool:
    """Whether a file is there, or in a folder that does not let itself be looked into."""
    try:
        os.lstat(file)
    except (FileNotFoundError, NotADirectoryError):
        return False
    except OSError:
        return True
    return True


def _job(row: ImageRow, presence: Presence, size: int | None = None) -> AuditJob:
    if presence is not Presence.HERE:
        size = 0
    elif size is None:
        size = row.size
    return AuditJob(row.file, row.where, row, presence, size)


def _unrecorded(path: Path, name: str) -> AuditJob:
    try:
        size = path.stat().st_size
    except OSError as error:
        raise InputError(f"{name}: cannot be opened: {error.strerror or error}") from error
    return AuditJob(path, name, None, Presence.HERE, size)
