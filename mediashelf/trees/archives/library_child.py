"""Runs alone, in a process of its own: libarchive reads an archive that may be hostile.

``python -m mediashelf.trees.archives.library_child FORMAT list|expand`` reads the archive from
standard input, a file, and writes frames to standard output: a letter, a length of 4 bytes, high
byte first, and that many bytes::

    H   JSON of the next member: name, size (null where unknown), modified, kind, is_encrypted,
        method (the library's words for the format)
    D   bytes of that member (only with expand)
    E   why the rest of that member cannot be had
    X   why the archive cannot be read any further; nothing follows
    Z   the end

Where the system can, the process has :data:`MOST_MEMORY` bytes of address space and
:data:`MOST_SECONDS` of processor time, and nothing it writes but its output. A crash in
the library ends this process, not the one that asks.
"""

from __future__ import annotations

import json
import struct
import sys
from collections.abc import Iterator
from contextlib import suppress
from typing import Any

MOST_MEMORY = 1 << 30
MOST_SECONDS = 600
_PIECE = 1 << 18
NO_LIBRARY = "no library"
"""How a frame ``X`` begins when libarchive itself is missing."""


def main() -> None:
    """Do what the command line says."""
    _limit()
    archive_format, task = sys.argv[1:3]
    try:
        import libarchive
        import libarchive.read
    except (ImportError, OSError, AttributeError, TypeError) as error:
        _frame(b"X", f"{NO_LIBRARY}: {error}".encode())
        return
    file = open(sys.stdin.fileno(), "rb", buffering=0, closefd=False)  # noqa: SIM115
    try:
        with libarchive.read.seekable_stream_reader(
            file, format_name=archive_format, filter_name="none", block_size=1 << 16
        ) as archive:
            for entry in archive:
                _member(entry, with_data=task == "expand")
    except MemoryError:
        _frame(b"X", b"it needs more memory than is allowed here")
    except (libarchive.ArchiveError, OSError, ValueError) as error:
        _frame(b"X", _words(error))
    else:
        _frame(b"Z", b"")
    sys.stdout.flush()


def _limit() -> None:
    try:
        import resource
    except ImportError:  # Windows
        return
    for limit, most in (
        (resource.RLIMIT_AS, MOST_MEMORY),
        (resource.RLIMIT_CPU, MOST_SECONDS),
        (resource.RLIMIT_CORE, 0),
    ):
        with suppress(ValueError, OSError):
            _, hard = resource.getrlimit(limit)
            resource.setrlimit(limit, (most, hard))


def _member(entry: Any, *, with_data: bool) -> None:
    import libarchive

    is_encrypted = False
    with suppress(AttributeError):
        is_encrypted = bool(_is_encrypted(entry))
    name = entry.pathname or ""
    header = {
        "name": name if isinstance(name, str) else _decoded(name),
        "size": entry.size,
        "modified": entry.mtime,
        "kind": "folder" if entry.isdir else "file" if _is_plain(entry) else "link",
        "is_encrypted": is_encrypted,
        "method": _method(entry),
    }
    _frame(b"H", json.dumps(header).encode())
    if not with_data or is_encrypted or header["kind"] != "file":
        return
    try:
        for piece in _pieces(entry):
            _frame(b"D", piece)
    except (libarchive.ArchiveError, OSError) as error:
        _frame(b"E", _words(error))


def _pieces(entry: Any) -> Iterator[bytes]:
    """Yield the bytes of a member; a warning about them, which is a negative count, is an error.

    libarchive-c itself takes such a count for a length.
    """
    import ctypes

    from libarchive import ArchiveError, ffi

    buffer = ctypes.create_string_buffer(_PIECE)
    while count := ffi.read_data(entry._archive_p, buffer, _PIECE):
        if count < 0:
            text = ffi.error_string(entry._archive_p) or b""
            raise ArchiveError(text.decode("utf-8", "replace"))
        yield buffer.raw[:count]


def _decoded(name: bytes) -> str:
    """Return a name that is not UTF-8; DOS and Windows recorded no code page (own choice)."""
    try:
        return name.decode("cp1252")
    except UnicodeDecodeError:
        return name.decode("latin-1")


def _method(entry: Any) -> str:
    """Return what the library says of the format, which for LHA names the method."""
    from libarchive import ffi

    return (ffi.format_name(entry._archive_p) or b"").decode("ascii", "replace")


def _is_plain(entry: Any) -> bool:
    """Whether it is a file with bytes of its own; a hard link (RAR 5) has none in the archive."""
    return bool(entry.isreg) and not entry.islnk


def _is_encrypted(entry: Any) -> int:
    import ctypes

    from libarchive import ffi

    function = ffi.libarchive.archive_entry_is_data_encrypted
    function.argtypes, function.restype = [ctypes.c_void_p], ctypes.c_int
    answer: int = function(entry._entry_p)
    return answer


def _words(error: Exception) -> bytes:
    words = getattr(error, "msg", None) or str(error)
    if words.startswith("None"):  # libarchive-c's words for no words
        words = "the library gives no reason"
    return words.encode("utf-8", "replace")[:500]


def _frame(letter: bytes, data: bytes) -> None:
    sys.stdout.buffer.write(letter + struct.pack(">I", len(data)) + data)
    if letter in b"XZ":
        sys.stdout.buffer.flush()


if __name__ == "__main__":
    main()
