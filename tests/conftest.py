"""Every test can import what is in ``makers/`` (discs and files) and ``helpers/``."""

from __future__ import annotations

import os
import signal
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import NoReturn

import pytest

HERE = Path(__file__).parent
sys.path[:0] = [str(HERE / name) for name in ("makers", "helpers")]


class NotOnThisSystem(OSError):
    """A test needs what this system does not have; it is skipped with that as its reason."""


def _without(what: str) -> Callable[..., NoReturn]:
    def refuse(*args: object, **options: object) -> NoReturn:
        raise NotOnThisSystem(f"this system has no {what}")

    return refuse


if sys.platform == "win32":
    import _winapi
    import ctypes

    # Wine 8 does not have this function; without it shutil copies in another way.
    if hasattr(ctypes.windll.ntdll, "wine_get_version") and hasattr(_winapi, "CopyFile2"):
        del _winapi.CopyFile2
    os.mkfifo = _without("FIFOs")
    os.symlink = _without("links that everybody may make")
    signal.SIGKILL = signal.SIGTERM  # which ends a process at once there


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
