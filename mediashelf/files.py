"""Outputs that appear whole or not at all."""

from __future__ import annotations

import os
import secrets
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from mediashelf.errors import OutputError

PARTIAL_MARK = ".mediashelf-partial"


@contextmanager
def whole_output(path: Path, *, replace: bool = True) -> Iterator[Path]:
    """Give a temporary path beside ``path``; give it the final name when the block ends well.

    The file is flushed to disk before the rename and the folder after it. If the
    block raises, or never creates the file, nothing is left under either name
    and an older ``path`` stays as it was. With ``replace=False`` an existing
    ``path`` is an :class:`OutputError`; one that is no regular file always is.
    Leftovers of runs that were killed have names that end in
    :data:`PARTIAL_MARK`, and are removed by the next run that writes the same
    path. Raises :class:`OutputError` for what the system refuses.
    """
    if path.exists() and not path.is_file():
        # A rename would put a file in the place of a device or a FIFO.
        raise OutputError(f"{path}: is no regular file; choose another name")
    if not replace and path.exists():
        raise OutputError(f"{path}: exists already; choose another name or remove it first")
    remove_partials(path)
    temporary = path.with_name(
        f"{_partial_prefix(path)}{os.getpid()}-{secrets.token_hex(4)}{PARTIAL_MARK}"
    )
    try:
        yield temporary
        with temporary.open("rb") as written:
            os.fsync(written.fileno())
        temporary.replace(path)
        _flush_folder(path.parent)
    except OSError as error:
        # Only errors about our own output are translated here; readers of
        # sources translate theirs before they get this far.
        raise OutputError(f"{path}: cannot be written: {error.strerror or error}") from error
    finally:
        with suppress(OSError):
            temporary.unlink(missing_ok=True)


def write_whole(path: Path, data: bytes, *, replace: bool = True) -> None:
    """Write ``data`` to ``path`` so that it appears whole or not at all."""
    with whole_output(path, replace=replace) as temporary:
        temporary.write_bytes(data)


def remove_partials(path: Path) -> None:
    """Remove what killed runs left behind for this final ``path``.

    The process number is in the name, so that the work of a run that is still
    alive stays.
    """
    prefix = _partial_prefix(path)
    with suppress(OSError):
        for leftover in path.parent.iterdir():
            name = leftover.name
            if not (name.startswith(prefix) and name.endswith(PARTIAL_MARK)):
                continue
            number = name.removeprefix(prefix).split("-")[0]
            if not _is_alive(number):
                with suppress(OSError):
                    leftover.unlink()


def _partial_prefix(path: Path) -> str:
    # 60 characters of up to 3 bytes leave room for number and mark within 255 bytes.
    return f".{path.name[:60]}."


def _is_alive(number: str) -> bool:
    if os.name != "posix" or not number.isdecimal():
        return False  # elsewhere signal 0 is not a question but an end
    try:
        os.kill(int(number), 0)
    except ProcessLookupError:
        return False
    except (PermissionError, OverflowError):
        return True
    return True


def _flush_folder(folder: Path) -> None:
    """Flush a folder's own entry to disk where the system lets us."""
    with suppress(OSError):
        descriptor = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)
