"""What each operating system answers in its own way: processes, flushing, one run at a time."""

from __future__ import annotations

import errno
import os
import stat
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

FOLDERS_OF_SYSTEMS = frozenset(
    {"lost+found", "$recycle.bin", "recycled", "recycler", "system volume information"}
)
"""Names, in lower case, of folders in which systems keep their own or deleted things."""


_UNPLUGGED = frozenset(
    getattr(errno, name)
    for name in (
        *("ENOENT", "ENOTDIR", "ENODEV", "ENXIO", "ENOMEDIUM", "ENOTCONN", "ESTALE"),
        *("ETIMEDOUT", "EHOSTDOWN", "EHOSTUNREACH", "ENETUNREACH"),
    )
    if hasattr(errno, name)
)
_NOT_READY = 21  # ERROR_NOT_READY: a drive of Windows without its card


def is_unplugged(error: OSError) -> bool:
    """Tell whether an error of a folder says that its disk, card or share is not there."""
    return error.errno in _UNPLUGGED or getattr(error, "winerror", 0) == _NOT_READY


def is_process_alive(number: int) -> bool:
    """Tell whether a process of this number runs; when in doubt it does."""
    if sys.platform == "win32":
        return _is_process_alive_in_windows(number)
    try:
        os.kill(number, 0)
    except ProcessLookupError:
        return False
    except (PermissionError, OverflowError):
        return True
    return True


def flush_descriptor(descriptor: int) -> None:
    """Have the bytes of an open file on the disk itself. Raises ``OSError``.

    In macOS fsync(2) leaves them in the drive's own memory; F_FULLFSYNC does not
    (fcntl(2) there), and not every file system has it.
    """
    if sys.platform == "darwin":
        import fcntl

        try:
            fcntl.fcntl(descriptor, fcntl.F_FULLFSYNC)
        except OSError:
            pass
        else:
            return
    os.fsync(descriptor)


CAN_ASK_AHEAD = hasattr(os, "posix_fadvise")  # POSIX; not in Windows and macOS


def ask_ahead(path: Path) -> None:
    """Ask the system to read a file into its memory meanwhile; nothing comes of it in error."""
    with suppress(OSError):
        descriptor = os.open(path, os.O_RDONLY | os.O_NONBLOCK)
        try:
            os.posix_fadvise(descriptor, 0, 0, os.POSIX_FADV_WILLNEED)
        finally:
            os.close(descriptor)


_LISTS_DESCRIPTORS = os.scandir in os.supports_fd  # not in Windows, whose listing has the dates


@contextmanager
def listed_folder(folder: str) -> Iterator[Iterator[os.DirEntry[str]]]:
    """List a folder; its entries are asked within the block, and their ``path`` is a name alone.

    They are asked of the open folder, so that the system need not find it again for each.
    Raises ``OSError``.
    """
    if not _LISTS_DESCRIPTORS:
        with os.scandir(folder) as listed:
            yield listed
        return
    descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        with os.scandir(descriptor) as listed:
            yield listed
    finally:
        os.close(descriptor)


def real_folder(folder: Path) -> Path:
    """Return a folder's one real name: links followed, and letters as the disk has them.

    Python does the second in Windows alone; macOS, whose disks mostly take names in any
    case, tells the name of an open folder (F_GETPATH, fcntl(2) there).
    """
    real = Path(real_path(folder))
    if sys.platform != "darwin":
        return real
    import fcntl

    try:
        descriptor = os.open(real, os.O_RDONLY)
    except OSError:
        return real
    try:
        told: bytes = fcntl.fcntl(descriptor, fcntl.F_GETPATH, bytes(1024))
        return Path(os.fsdecode(told.rstrip(b"\0")))
    except OSError:
        return real
    finally:
        os.close(descriptor)


def real_path(path: str | Path) -> str:
    """Return a file's one real name, links followed; as it is told where that cannot be asked.

    Windows has names that it does not resolve: those of devices, and with some drivers
    (ERROR_MORE_DATA) very long ones.
    """
    try:
        return os.path.realpath(path)
    except OSError:
        return str(Path(path).absolute())


def keeps_mark(path: Path) -> bool:
    """Tell whether Windows keeps a file from being replaced, as it is marked read-only.

    It would say so itself, once the whole work is done; elsewhere a folder decides.
    """
    try:
        return sys.platform == "win32" and not path.stat().st_mode & stat.S_IWRITE
    except OSError:
        return False


_LONGEST_PATH = 259  # of Windows: MAX_PATH without its NUL

# ERROR_FILE_NOT_FOUND, ERROR_PATH_NOT_FOUND, ERROR_INVALID_NAME, ERROR_FILENAME_EXCED_RANGE
_NOT_REACHED = frozenset({2, 3, 123, 206})


def sqlite_without_locks() -> str:
    """Return the name of SQLite's own access to files that takes no locks ("The OS Interface")."""
    return "win32-none" if sys.platform == "win32" else "unix-none"


def advice(error: OSError) -> str:
    """Return what to do about an error where the system's own words do not tell, or nothing.

    Microsoft, "Maximum Path Length Limitation".
    """
    path = os.fsdecode(error.filename) if isinstance(error.filename, str | bytes) else ""
    length = len(str(Path(path).absolute()))
    is_long = length > _LONGEST_PATH and not path.startswith("\\\\?\\")
    if is_long and getattr(error, "winerror", None) in _NOT_REACHED:
        return (
            f"This path has {length:,} characters, and Windows takes {_LONGEST_PATH} unless long "
            "paths are enabled: use a folder nearer to the drive, or begin the path with \\\\?\\"
        )
    return ""


def reason(error: OSError) -> str:
    """Return why the system did not let us write a file, with what to do where that is known."""
    said = str(error.strerror or error)
    # ERROR_ACCESS_DENIED, ERROR_SHARING_VIOLATION, ERROR_LOCK_VIOLATION
    if getattr(error, "winerror", None) in (5, 32, 33):
        return f"{said}; another program may have it open: close it there and run again"
    return said


@contextmanager
def hold_in_windows(what: str) -> Iterator[bool]:
    """Hold a name among all programs of this machine; give False where another holds it.

    A named mutex goes with its process, whatever ends that (CreateMutexW).
    """
    if sys.platform != "win32":
        raise NotImplementedError
    import ctypes
    import hashlib

    name = "Global\\mediashelf-" + hashlib.sha256(what.casefold().encode()).hexdigest()[:32]
    kernel = ctypes.WinDLL("kernel32", use_last_error=True)
    kernel.CreateMutexW.restype = ctypes.c_void_p
    ctypes.set_last_error(0)
    handle = kernel.CreateMutexW(None, False, name)
    # ERROR_ALREADY_EXISTS; without a handle it is somebody else's (ERROR_ACCESS_DENIED).
    is_ours = bool(handle) and ctypes.get_last_error() != 183
    try:
        yield is_ours
    finally:
        if handle:
            kernel.CloseHandle(ctypes.c_void_p(handle))


def _is_process_alive_in_windows(number: int) -> bool:
    # os.kill is no question there: signal 0 is CTRL_C_EVENT.
    if sys.platform != "win32":
        raise NotImplementedError
    import ctypes

    kernel = ctypes.WinDLL("kernel32", use_last_error=True)
    kernel.OpenProcess.argtypes = (ctypes.c_uint32, ctypes.c_int, ctypes.c_uint32)
    kernel.OpenProcess.restype = ctypes.c_void_p
    if number >= 1 << 32:
        return True
    handle = kernel.OpenProcess(0x1000, False, number)  # PROCESS_QUERY_LIMITED_INFORMATION
    if not handle:
        return ctypes.get_last_error() != 87  # ERROR_INVALID_PARAMETER: there is none
    code = ctypes.c_uint32()
    try:
        asked = kernel.GetExitCodeProcess(ctypes.c_void_p(handle), ctypes.byref(code))
        return not asked or code.value == 259  # STILL_ACTIVE
    finally:
        kernel.CloseHandle(ctypes.c_void_p(handle))
