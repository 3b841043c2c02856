"""The files of a raw image: opened only when regular, and never outside the sheet's folder."""

from __future__ import annotations

import os
import re
import stat
import unicodedata
from io import FileIO
from pathlib import Path

from mediashelf.errors import FormatError, InputError
from mediashelf.formats.raw.cue import CueFile
from mediashelf.integrity.fixity.medium import AroundErrors
from mediashelf.integrity.structure.damage import Span
from mediashelf.text import first_text

_SHOWN_NAMES = 5


def file_status(path: Path) -> os.stat_result:
    """Return what the system says of a regular file; :class:`InputError` for anything else."""
    try:
        status = path.stat()
    except (OSError, ValueError) as error:
        raise _unreadable(path, error) from error
    if not stat.S_ISREG(status.st_mode):
        raise InputError(f"{path}: is not a regular file")
    return status


def file_size(path: Path) -> int:
    """Return the size of a regular file; raises :class:`InputError` for anything else."""
    return file_status(path).st_size


def read_bytes(
    path: Path, offset: int, size: int, *, unreadable: list[Span] | None = None
) -> bytes:
    """Return up to ``size`` bytes from ``offset``; fewer where the file ends.

    With ``unreadable`` what the medium does not give is zeros, and its places are put there.
    Raises :class:`InputError` where the file can't be read.
    """
    try:
        with FileIO(path, "rb") as file:
            file.seek(offset)
            try:
                return _read(file, size)
            except OSError:
                if unreadable is None:
                    raise
                file.seek(offset)
                return _read_around_errors(file, size, unreadable)
    except OSError as error:
        raise _unreadable(path, error) from error


def _read(file: FileIO, size: int) -> bytes:
    """Return bytes as they are read, without a copy where they come at once."""
    data = piece = file.read(size) or b""
    while piece and len(data) < size:
        piece = file.read(size - len(data)) or b""
        data += piece
    return data


def _read_around_errors(file: FileIO, size: int, unreadable: list[Span]) -> bytes:
    buffer = memoryview(bytearray(size))
    filled = 0
    stream = AroundErrors(file, unreadable)
    while filled < size and (count := stream.readinto(buffer[filled:])):
        filled += count
    return bytes(buffer[:filled])


def find_named_file(sheet: Path, file: CueFile) -> Path:
    """Return the file that a sheet names: in the sheet's folder or below it, nowhere else.

    Both kinds of slashes separate. A part that does not exist as written is taken
    by its only match that differs in case or in Unicode form. Of a path with a drive or
    from a root, which is that of another machine, only the last part is looked for.
    Raises :class:`FormatError` for a name that leaves the folder and
    :class:`InputError` for one that is not there.
    """
    place = f"{sheet}: line {file.line}, column {file.column}"
    if is_absolute(file.name):
        parts = [re.split(r"[\\/:]", file.name)[-1]]
    else:
        parts = re.split(r"[\\/]", file.name)
    parts = [part for part in parts if part not in ("", ".")]
    leaves = ".." in parts
    path = sheet.parent
    if not leaves and parts:
        for part in parts:
            path = _find_part(path, part, place)
        leaves = not path.resolve().is_relative_to(sheet.parent.resolve())
    if leaves or not parts:
        raise FormatError(
            "file name",
            at=place,
            found=file.name,
            expected="a file beside the sheet or in a folder below it",
        )
    return path


def is_absolute(name: str) -> bool:
    """Tell whether a name has a drive, or begins with a slash of either kind."""
    return name.startswith(("\\", "/")) or re.match(r"[A-Za-z]:", name) is not None


def _find_part(folder: Path, part: str, place: str) -> Path:
    try:
        names = sorted(entry.name for entry in folder.iterdir())
    except OSError as error:
        raise _unreadable(folder, error) from error
    if part in names:
        return folder / part
    alike = [name for name in names if _folded(name) == _folded(part)]
    if len(alike) == 1:
        return folder / alike[0]
    if alike:
        raise InputError(f"{place}: {part!r} may be any of {', '.join(map(repr, alike))}")
    shown = first_text([repr(name) for name in names], _SHOWN_NAMES) or "nothing"
    raise InputError(f"{place}: there is no {part!r} in {folder}; it holds {shown}")


def _folded(name: str) -> str:
    return unicodedata.normalize("NFC", name).casefold()


def _unreadable(path: Path, error: Exception) -> InputError:
    reason = getattr(error, "strerror", None) or error
    return InputError(f"{path}: cannot be read: {reason}")
