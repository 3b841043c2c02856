"""Outputs that appear whole or not at all."""

from __future__ import annotations

import os
import re
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from mediashelf.errors import OutputError
from mediashelf.system import flush_descriptor, is_process_alive, keeps_mark, reason

PARTIAL_MARK = ".mediashelf-partial"


def refuse_missing_folder(path: Path) -> None:
    """Raise :class:`OutputError` when there is no folder to write ``path`` into."""
    if not path.absolute().parent.is_dir():
        raise OutputError(f"{path}: there is no folder {path.parent}; make it first")


@contextmanager
def whole_output(path: Path, *, replace: bool = True) -> Iterator[Path]:
    """Give a temporary path beside ``path``; give it the final name when the block ends well.

    It is on the disk under that name when this returns (:func:`rename_whole`). If the
    block raises, or never creates the file, nothing is left under either name
    and an older ``path`` stays as it was. With ``replace=False`` an existing
    ``path`` is an :class:`OutputError`; a link to nothing, and what is not a regular
    file, always is.
    Leftovers of runs that were killed have names that end in
    :data:`PARTIAL_MARK`, and are removed by the next run that writes the same
    path. Raises :class:`OutputError` for what the system refuses.
    """
    refuse_name(path)
    refuse_missing_folder(path)
    if path.exists() and not path.is_file():
        # A rename would put a file in the place of a device or a FIFO.
        raise OutputError(f"{path}: is not a regular file; choose another name")
    if path.is_symlink() and not path.exists():
        raise OutputError(
            f"{path}: is a link to a file that is not there; choose another name or remove the link"
        )
    if not replace:
        _refuse_existing(path)
    if keeps_mark(path):
        raise OutputError(f"{path}: is marked read-only; remove the mark, or choose another name")
    _remove_partials(path)
    temporary = path.with_name(f"{_partial_prefix(path)}{_partial_mark()}")
    try:
        yield temporary
        if not replace:
            _refuse_existing(path)  # another run may have written it meanwhile
        rename_whole(temporary, path)
    except OSError as error:
        # Only errors about our own output are translated here; readers of
        # sources translate theirs before they get this far.
        raise OutputError(f"{path}: cannot be written: {reason(error)}") from error
    finally:
        with suppress(OSError):
            temporary.unlink(missing_ok=True)


def _partial_mark() -> str:
    return f"{os.getpid()}-{os.urandom(4).hex()}{PARTIAL_MARK}"


def _refuse_existing(path: Path) -> None:
    if path.exists():
        raise OutputError(f"{path}: exists already; choose another name or remove it first")


@contextmanager
def whole_folder(folder: Path) -> Iterator[Path]:
    """Give a temporary folder; what is in it when the block ends well gets its place in ``folder``.

    Where ``folder`` is not there yet it appears with all that is in it, or not at all; else each
    entry at its top does. Nothing is ever replaced: an entry that exists is an
    :class:`OutputError`, and nothing was moved then. Files must have been flushed by whoever
    wrote them. Leftovers of runs that were killed are removed as by :func:`whole_output`.
    """
    import shutil  # rarely needed, and large

    refuse_name(folder)
    is_new = not os.path.lexists(folder)
    home = folder.parent if is_new else folder
    if not is_new and not folder.is_dir():
        raise OutputError(f"{folder}: is not a folder; choose another name")
    try:
        home.mkdir(parents=True, exist_ok=True)
        _remove_partials(home / folder.name)
        temporary = home / f"{_partial_prefix(folder)}{_partial_mark()}"
        temporary.mkdir()
    except OSError as error:
        raise OutputError(f"{folder}: cannot be written: {reason(error)}") from error
    try:
        yield temporary
        entries = sorted(temporary.iterdir())
        for entry in entries if not is_new else ():
            if os.path.lexists(folder / entry.name):
                raise OutputError(
                    f"{folder / entry.name}: exists already; choose another folder, or remove it"
                )
        if is_new:
            temporary.rename(folder)
        else:
            for entry in entries:
                entry.rename(folder / entry.name)
        flush_folder(home)
    except OSError as error:
        raise OutputError(f"{folder}: cannot be written: {reason(error)}") from error
    finally:
        shutil.rmtree(temporary, ignore_errors=True)


# Patterns, made when they are first used: every command loads this module.
_NOT_IN_NAMES = r'[<>:"/\\|?*\x00-\x1f\x7f-\x9f\u200e\u200f\u202a-\u202e\ud800-\udfff]'
_REFUSED_BY_WINDOWS = r'[<>:"|?*\x00-\x1f]|[. ]$'
_DEVICES = r"(?i:con|prn|aux|nul|clock\$|com[0-9¹²³]|lpt[0-9¹²³])(\.|$)"
_LONGEST_NAME = 200  # bytes; file systems take 255, and a number may have to follow


def host_name(name: str) -> str:
    """Return a name that every host takes and no program is hurt by, for one from outside.

    What desktops reserve is changed on all of them, so that files can be carried over (names
    of devices, ``<>:"|?*``, a dot or a space at the end: Microsoft, Naming Files, Paths, and
    Namespaces; from memory). A name that needs no change is returned as it is.
    """
    safe = re.sub(_NOT_IN_NAMES, "_", name)
    safe = re.sub(r"[. ]+$", lambda end: "_" * len(end.group()), safe)
    if re.match(_DEVICES, safe):
        safe = f"_{safe}"
    if is_partial(safe):
        safe = f"_{safe}"
    encoded = safe.encode("utf-8")
    return (
        safe if len(encoded) <= _LONGEST_NAME else encoded[:_LONGEST_NAME].decode("utf-8", "ignore")
    )


def refuse_name(path: Path) -> None:
    """Raise :class:`OutputError` for a new file or folder that Windows would call otherwise.

    It takes names of devices for the devices, and leaves out dots and spaces at the end.
    """
    if sys.platform != "win32" or path.name == "..":
        return
    if re.search(_REFUSED_BY_WINDOWS, path.name) or re.match(_DEVICES, path.name):
        raise OutputError(
            f"{path}: Windows has no files of this name; call it {host_name(path.name)}"
        )


def write_whole(path: Path, data: bytes, *, replace: bool = True) -> None:
    """Write ``data`` to ``path`` so that it appears whole or not at all."""
    with whole_output(path, replace=replace) as temporary:
        temporary.write_bytes(data)


def rename_whole(old: Path, new: Path) -> None:
    """Give a whole file another name in its folder, and have both on the disk afterwards.

    The file is flushed before the rename and once more after it: on FAT the new
    entry says that the file is empty until the file itself is flushed (seen on
    Linux 6.1 on a card that was pulled right after a rename). Raises ``OSError``
    where nothing was renamed, and :class:`OutputError` where the file has its new
    name and cannot be flushed under it.
    """
    flush_file(old)
    replaced = " and replaced an older file" if new.exists() else ""
    old.replace(new)
    try:
        flush_file(new)
    except OSError as error:
        raise OutputError(
            f"{new}: is written and has its name{replaced}, but the system reports an error when "
            f"asked to put it on the disk: {error.strerror or error}; check the disk, and write "
            "the file again"
        ) from error
    flush_folder(new.parent)


def _remove_partials(path: Path) -> None:
    """Remove what killed runs left of this final ``path``.

    The process number is in the name, so that the work of a run that is still
    alive stays.
    """
    with suppress(OSError):
        for leftover in list(path.parent.iterdir()):
            if not is_partial_of(leftover.name, path.name):
                continue
            number = leftover.name.removeprefix(_partial_prefix(path)).split("-")[0]
            if not _is_alive(number):
                with suppress(OSError):
                    if leftover.is_dir() and not leftover.is_symlink():
                        import shutil

                        shutil.rmtree(leftover, ignore_errors=True)
                    else:
                        leftover.unlink()


def is_partial(name: str) -> bool:
    """Tell whether a file's name is that of a half-done output."""
    return name.startswith(".") and name.endswith(PARTIAL_MARK)


def is_partial_of(name: str, final: str) -> bool:
    """Tell whether ``name`` is that of a half-done output that would be called ``final``."""
    return is_partial(name) and name.startswith(_partial_prefix(Path(final)))


def _partial_prefix(path: Path) -> str:
    # 60 characters of up to 3 bytes leave room for number and mark within 255 bytes.
    return f".{path.name[:60]}."


def _is_alive(number: str) -> bool:
    return number.isdecimal() and is_process_alive(int(number))


def flush_file(path: Path) -> None:
    """Have a file's bytes on the disk. Raises ``OSError``."""
    # Windows flushes only through handles that may write (FlushFileBuffers).
    with path.open("r+b" if os.name == "nt" else "rb") as file:
        flush_descriptor(file.fileno())


def flush_folder(folder: Path) -> None:
    """Flush a folder's entries to disk where the system lets us."""
    with suppress(OSError):
        descriptor = os.open(folder, os.O_RDONLY)
        try:
            flush_descriptor(descriptor)
        finally:
            os.close(descriptor)
