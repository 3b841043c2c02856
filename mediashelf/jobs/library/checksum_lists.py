"""Checksum lists: write one of a folder, or compare a folder with lists from anywhere."""

from __future__ import annotations

import shlex
from collections.abc import Sequence
from pathlib import Path

from msgspec import Struct

from mediashelf.errors import InputError
from mediashelf.formats.lists.values import ListForm
from mediashelf.integrity.lists.comparing import compare_with_lists
from mediashelf.integrity.lists.folder_files import list_folder
from mediashelf.integrity.lists.reading import ListReport, find_lists
from mediashelf.integrity.lists.writing import WrittenList, write_list
from mediashelf.jobs.progress import Progress, no_progress

# The names that such lists have in practice; a reader settles the algorithm by them.
_LIST_NAMES = {
    "sha256": "SHA256SUMS",
    "sha512": "SHA512SUMS",
    "sha1": "SHA1SUMS",
    "md5": "MD5SUMS",
    "b2": "B2SUMS",
    "xxh3_128": "XXH128SUMS",
    "xxh3_64": "XXH3SUMS",
    "xxh64": "XXH64SUMS",
    "xxh32": "XXH32SUMS",
    "crc32": "checksums.sfv",
}
_OWN_FORM = {"crc32": ListForm.SFV, "xxh3_64": ListForm.TAGGED}


class ComparedFolder(Struct, frozen=True):
    """The lists that a folder was compared with, and what came of it."""

    lists: tuple[Path, ...]
    report: ListReport


def write_checksums(
    folder: Path,
    *,
    algorithm: str,
    output: Path | None = None,
    form: ListForm | None = None,
    replace: bool = False,
    progress: Progress = no_progress,
) -> WrittenList:
    """Write a list of every file below a folder, by its usual name and form where none is said.

    Raises ``ValueError`` for a form that does not hold the algorithm.
    """
    files = list_folder(folder)
    with progress("reading", total=sum(files.sizes.values())) as on_bytes:
        return write_list(
            files,
            output or folder / _LIST_NAMES[algorithm],
            algorithm=algorithm,
            form=form or _OWN_FORM.get(algorithm, ListForm.PLAIN),
            replace=replace,
            on_bytes=on_bytes,
        )


def compare_checksums(
    folder: Path, lists: Sequence[Path] = (), *, progress: Progress = no_progress
) -> ComparedFolder:
    """Compare a folder with lists, or with those directly in it; each file is read once.

    Raises :class:`InputError` where there is no list.
    """
    if folder.is_file():
        place = shlex.quote(str(folder.parent))
        raise InputError(
            f"{folder}: is a file; name the folder first, then the list: mediashelf checksums "
            f"check {place} {shlex.quote(str(folder))}"
        )
    files = list_folder(folder)
    lists = tuple(lists) or tuple(find_lists(folder))
    if not lists:
        raise InputError(
            f"{folder}: no checksum list is in this folder; name one, or write one with "
            "mediashelf checksums write"
        )
    with progress("reading", total=sum(files.sizes.values())) as on_bytes:
        return ComparedFolder(lists, compare_with_lists(files, lists, on_bytes=on_bytes))
