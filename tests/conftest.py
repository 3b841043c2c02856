"""Every test can import what is in ``makers/`` (discs and files) and ``helpers/``."""

from __future__ import annotations

import errno
import os
import re
import signal
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import NoReturn

import pytest

from mediashelf.errors import MediashelfError

HERE = Path(__file__).parent
sys.path[:0] = [str(HERE / name) for name in ("makers", "helpers")]


class NotOnThisSystem(OSError):
    """A test needs what this system does not have; it is skipped with that as its reason."""


def _without(what: str) -> Callable[..., NoReturn]:
    def refuse(*args: object, **options: object) -> NoReturn:
        raise NotOnThisSystem(f"this system has no {what}")

    return refuse


if sys.platform == "win32":
    os.mkfifo = _without("FIFOs")
    os.symlink = _without("links that everybody may make")
    signal.SIGKILL = signal.SIGTERM  # which ends a process at once there
    # From here on a name of bytes that are not UTF-8 has the reason for it in its error.
    _plain_fsdecode = os.fsdecode

    def _fsdecode(name: str | bytes) -> str:
        try:
            return _plain_fsdecode(name)
        except UnicodeDecodeError as error:
            if _is_of_the_tests(sys._getframe(1).f_code.co_filename):
                raise NotOnThisSystem("Windows has no names of bytes that are not text") from error
            raise

    os.fsdecode = _fsdecode


def _is_of_the_tests(file_name: str) -> bool:
    return Path(file_name).is_relative_to(HERE)


# Control characters, marks, an end in a dot or blank, and devices: Microsoft's "Naming Files,
# Paths, and Namespaces". A name is refused with EINVAL or with one of these numbers of Windows:
# ERROR_INVALID_NAME and, for devices, ERROR_INVALID_HANDLE and ERROR_DIRECTORY.
_NOT_IN_WINDOWS = re.compile(
    r"[\x00-\x1f<>\"|?*]|:(?!\\)|[ .](?:\\|$)|\\(?:con|nul|prn|aux)(?:[.\\]|$)", re.IGNORECASE
)


def _is_refused_name(error: OSError) -> bool:
    refused = error.errno == errno.EINVAL or getattr(error, "winerror", 0) in (6, 123, 267)
    return refused and bool(_NOT_IN_WINDOWS.search(str(error.filename)))


@pytest.hookimpl(wrapper=True)
def pytest_runtest_setup(item: pytest.Item) -> Iterator[None]:
    """Skip where a fixture needs what this system does not have."""
    yield from _skipping()


@pytest.hookimpl(wrapper=True)
def pytest_runtest_call(item: pytest.Item) -> Iterator[None]:
    """Skip where a test needs what this system does not have."""
    yield from _skipping()


def _skipping() -> Iterator[None]:
    try:
        yield
    except NotOnThisSystem as error:
        pytest.skip(str(error))
    except OSError as error:
        if sys.platform == "win32" and _is_refused_name(error):
            pytest.skip("Windows refuses a name that the test needs")
        raise
    except (ModuleNotFoundError, MediashelfError) as error:
        missing = getattr(error, "name", "") == "libarchive" or "needs libarchive" in str(error)
        if sys.platform == "win32" and missing:
            pytest.skip("libarchive for this system comes in no package for Python")
        raise


@pytest.fixture(autouse=True)
def private_data_folder(
    tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch
) -> Path:
    """Keep every test away from the data of the person who runs it."""
    folder = tmp_path_factory.mktemp("data")
    monkeypatch.setenv("XDG_DATA_HOME", str(folder))
    monkeypatch.setenv("HOME", str(folder))
    monkeypatch.setenv("LOCALAPPDATA", str(folder))
    monkeypatch.delenv("MEDIASHELF_CATALOGUE", raising=False)
    monkeypatch.delenv("MEDIASHELF_TARGETS", raising=False)
    return folder
