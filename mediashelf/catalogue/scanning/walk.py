"""What images a folder tree holds: looks at names, sizes and dates, and reads next to nothing.

What counts as an image is in :mod:`.image_names`; and whatever is on record already does: a
damaged image stays an image.

Names that begin with a dot, and the folders where systems keep their own or
deleted things, are passed over. Links to files are followed, links to folders
are not, so that no walk runs in a circle. Only regular files are images.
"""

from __future__ import annotations

import errno
import os
import stat
from collections import Counter
from collections.abc import Callable, Collection, Iterable, Iterator
from contextlib import ExitStack, suppress
from pathlib import Path
from typing import NamedTuple

from msgspec import Struct, field

from mediashelf.catalogue.records.stamps import Stamp
from mediashelf.catalogue.rows import kept_number
from mediashelf.catalogue.scanning.image_names import (
    NEVER_TRACKS,
    SHEET_SUFFIX,
    SUFFIXES_BY_CONTENT,
    looks_like_disc,
    stem_and_suffix,
    told_by_name,
)
from mediashelf.catalogue.scanning.presence import FileSystems
from mediashelf.files import is_partial
from mediashelf.system import FOLDERS_OF_SYSTEMS, is_unplugged, listed_folder

_SUFFIXES = frozenset(SUFFIXES_BY_CONTENT)


class SeenImage(NamedTuple):
    """An image file as the walk saw it; ``path`` is relative to the root, with ``/``."""

    path: str
    size: int
    mtime_ns: int
    file_system: str
    is_sheet: bool


class RecordPlace(NamedTuple):
    """Where an image's file is: shelf, path relative to it, and the file system that holds it."""

    shelf_id: int
    path: str
    file_system: str


class Walk(Struct):
    """What one walk found. ``problem`` says why the root itself cannot be walked, or is empty;
    ``is_refused`` that it is there all the same.

    ``unread_folders`` are folders that could not be listed, relative, with the reason.
    ``links`` are those that are not followed and may have led to images, relative: is it one to
    a folder, or does it lead nowhere.
    ``others`` counts the files that are not images by the end of their names, in lower case.
    ``unchanged`` counts the images that have their stamps; they are on ``unchanged_on``, the names
    of file systems, and not among ``images``.
    """

    images: dict[str, SeenImage] = field(default_factory=dict)
    unchanged: int = 0
    unchanged_on: set[str] = field(default_factory=set)
    unread_folders: dict[str, str] = field(default_factory=dict)
    links: dict[str, bool] = field(default_factory=dict)
    others: Counter[str] = field(default_factory=Counter)
    problem: str = ""
    is_refused: bool = False


def walk_folder(
    root: Path,
    file_systems: FileSystems,
    known: Collection[str] = (),
    stamps: dict[str, Stamp] | None = None,
) -> Walk:
    """Walk a folder tree; ``known`` are the relative paths that are on record as images.

    Those of ``stamps`` that are found as they were are taken out of it, and counted.
    """
    walk = Walk()
    folders = [""]
    while folders:
        folder = folders.pop()
        start, found = _join(folder, ""), list[str]()
        at = os.path.join(root, folder)  # noqa: PTH118  # called once a folder
        place = file_systems.of(at) if stamps else ""
        with ExitStack() as opened:
            try:
                listed = opened.enter_context(listed_folder(at))
                left = _without_unchanged(listed, start, stamps, place, found) if stamps else listed
                entries = sorted(left, key=lambda entry: entry.name)
            except OSError as error:
                reason = error.strerror or str(error)
                if not folder:
                    walk.problem = reason
                    walk.is_refused = not is_unplugged(error)
                    return walk
                walk.unread_folders[folder] = reason
                continue
            if found and stamps:
                for path in found:
                    del stamps[path]
                walk.unchanged += len(found)
                walk.unchanged_on.add(place)
            named = [(entry, entry.name, entry.name.lower()) for entry in entries]
            inner = [one for one in named if not _is_passed_over(one[2])]
            folders += [start + name for entry, name, _ in inner if _is_folder(entry)]
            if not inner:
                continue
            walk.links.update(_links_left(root, start, inner, known))
            sheets = _stems_of_sheets([*(low for _, _, low in inner), *map(str.lower, found)])
            for seen in _images_in(root, folder, inner, sheets, file_systems, known, walk.others):
                walk.images[seen.path] = seen
    return walk


def _is_folder(entry: os.DirEntry[str]) -> bool:
    return _says_yes(lambda: entry.is_dir(follow_symlinks=False))


def _says_yes(ask: Callable[[], bool]) -> bool:
    """No, too, where the disk does not tell; where it is an image, reading it will say why."""
    with suppress(OSError):
        return ask()
    return False


def _links_left(
    root: Path, start: str, entries: list[tuple[os.DirEntry[str], str, str]], known: Collection[str]
) -> Iterator[tuple[str, bool]]:
    """Yield links that are not followed: to folders elsewhere, and image names that lead nowhere.

    A folder of the same tree is walked by its own name.
    """
    for entry, name, low in entries:
        if not _says_yes(entry.is_symlink):
            continue
        try:
            mode = entry.stat().st_mode
        except OSError:  # it leads nowhere, or in a circle
            if told_by_name(low) and start + name not in known:
                yield start + name, False
        else:
            path = start + name
            if stat.S_ISDIR(mode) and not (root / path).resolve().is_relative_to(root.resolve()):
                yield path, True


def _without_unchanged(
    listed: Iterable[os.DirEntry[str]],
    start: str,
    stamps: dict[str, Stamp],
    place: str,
    found: list[str],
) -> Iterator[os.DirEntry[str]]:
    """Put the paths of images that have their stamps into ``found``; yield all else."""
    stamp_of = stamps.get
    for entry in listed:
        name = entry.name
        path = start + name
        stamp = stamp_of(path)
        if stamp is not None and name[0] != ".":
            try:
                is_file = entry.is_file(follow_symlinks=False)
                status = entry.stat(follow_symlinks=False)
            except FileNotFoundError:
                continue  # it went this moment
            except OSError:
                yield entry
                continue
            if is_file and (status.st_size, status.st_mtime_ns, place) == stamp:
                found.append(path)
                continue
        yield entry


def _stems_of_sheets(names: Iterable[str]) -> set[str]:
    sheets = (name for name in names if name.endswith(SHEET_SUFFIX))
    return {name[: -len(SHEET_SUFFIX)].rpartition("/")[2] for name in sheets}


def _join(folder: str, name: str) -> str:
    return f"{folder}/{name}" if folder else name


def _is_passed_over(lowered: str) -> bool:
    return lowered.startswith(".") or lowered in FOLDERS_OF_SYSTEMS


def _images_in(
    root: Path,
    folder: str,
    entries: list[tuple[os.DirEntry[str], str, str]],
    sheets: set[str],
    file_systems: FileSystems,
    known: Collection[str],
    others: Counter[str],
) -> Iterator[SeenImage]:
    """Yield the images of one folder; ``entries`` come with their names, as they are and lowered.

    ``sheets`` are the lowered names of all cue sheets there, without their ends. Most of a shelf
    are images by name: only of others more is worked out.
    """
    start, place = _join(folder, ""), ""
    for entry, name, low in entries:
        path = start + name
        is_known = path in known
        is_told = told_by_name(low)
        stem, suffix = ("", "") if is_told else stem_and_suffix(low)
        if not is_told and not is_known and suffix not in _SUFFIXES:
            if not is_partial(name) and _says_yes(entry.is_file):
                others[suffix] += 1
            continue
        try:
            status = entry.stat()
        except OSError as error:
            # A link that leads nowhere, and a file that went this moment, are passed over.
            is_there = error.errno not in (errno.ENOENT, errno.ENOTDIR, errno.ELOOP)
            if is_there and (is_told or is_known):
                place = place or file_systems.of(str(root / folder))
                yield SeenImage(path, 0, 0, place, low.endswith(SHEET_SUFFIX))
            continue
        if not stat.S_ISREG(status.st_mode):
            continue
        is_track = stem in sheets and suffix not in NEVER_TRACKS
        if not (is_told or is_known or is_track or looks_like_disc(root / path)):
            others[suffix] += 1
            continue
        # The folder's file system and not the file's own: layered file systems
        # give their files the numbers of the layers below.
        place = place or file_systems.of(str(root / folder))
        yield SeenImage(
            path,
            status.st_size,
            kept_number(status.st_mtime_ns),
            file_systems.of_link(str(root / path)) if entry.is_symlink() else place,
            low.endswith(SHEET_SUFFIX),
        )
