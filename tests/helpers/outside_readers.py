"""What programs that are not ours see on a disc: pycdlib, libarchive and The Sleuth Kit.

Each function maps a path to the SHA-256 of the file there, and to an empty text
for a directory. Paths are absolute, without version and without the dot of an
empty extension, as ``Entry.path`` has them.
"""

from __future__ import annotations

import ctypes
import hashlib
from contextlib import closing
from pathlib import Path

import pytest


def pycdlib_tree(image: Path, *, joliet: bool) -> dict[str, str]:
    """One tree, as pycdlib walks it."""
    pycdlib = pytest.importorskip("pycdlib")
    key = "joliet_path" if joliet else "iso_path"
    iso = pycdlib.PyCdlib()
    iso.open(str(image))
    found: dict[str, str] = {}
    waiting = [""]
    with closing(iso):
        while waiting:
            base = waiting.pop()
            for child in iso.list_children(**{key: base or "/"}):
                if child.is_dot() or child.is_dotdot():
                    continue
                name = child.file_identifier().decode("utf-16-be" if joliet else "ascii")
                path = f"{base}/{name}"
                if child.is_dir():
                    found[path] = ""
                    waiting.append(path)
                    continue
                plain_path = path.removesuffix(";1").removesuffix(".")
                if child.inode is None:  # the boot catalog, which it gives no file for
                    at, size = child.extent_location() * 2048, child.get_data_length()
                    found[plain_path] = _digest(image.read_bytes()[at : at + size])
                    continue
                with iso.open_file_from_iso(**{key: path}) as stream:
                    found[plain_path] = _digest(stream.read())
    return found


def libarchive_tree(image: Path, *, joliet: bool) -> dict[str, str]:
    """One tree, as libarchive's ISO reader gives it; its option ``joliet`` picks the tree."""
    libarchive = _libarchive()
    ffi = libarchive.ffi
    set_option = ffi.libarchive.archive_read_set_format_option
    set_option.argtypes = [ctypes.c_void_p, ctypes.c_char_p, ctypes.c_char_p, ctypes.c_char_p]
    found: dict[str, str] = {}
    shared: dict[str, str] = {}
    with libarchive.read.new_archive_read("iso9660") as archive:
        if not joliet:
            set_option(archive, b"iso9660", b"joliet", None)
        ffi.read_open_filename_w(archive, str(image), 1 << 20)
        for entry in libarchive.read.ArchiveRead(archive):
            if entry.pathname == ".":
                continue
            path = f"/{entry.pathname}"
            if entry.isdir:
                found[path] = ""
            elif entry.linkpath:
                shared[path] = f"/{entry.linkpath}"
            else:
                found[path] = _digest(b"".join(entry.get_blocks()))
    return found | {path: found[first] for path, first in shared.items()}


def sleuth_kit_tree(image: Path) -> dict[str, str]:
    """The tree that The Sleuth Kit shows: it prefers the Joliet names."""
    pytsk3 = pytest.importorskip("pytsk3")
    file_system = pytsk3.FS_Info(pytsk3.Img_Info(str(image)))
    found: dict[str, str] = {}
    waiting = [("", file_system.open_dir(path="/"))]
    while waiting:
        base, directory = waiting.pop()
        for item in directory:
            name = item.info.name.name.decode("utf-8")
            if name in (".", "..") or name.startswith("$Orphan") or item.info.meta is None:
                continue
            path = f"{base}/{name}"
            if item.info.meta.type == pytsk3.TSK_FS_META_TYPE_DIR:
                found[path] = ""
                waiting.append((path, item.as_directory()))
            else:
                size = item.info.meta.size
                found[path] = _digest(item.read_random(0, size) if size else b"")
    return found


def _libarchive():  # type: ignore[no-untyped-def]
    try:
        import libarchive
    except (ImportError, AttributeError, OSError, TypeError):
        pytest.skip("libarchive (the system library) is missing")
    return libarchive


def _digest(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()
