"""Where data of this user lives on this platform."""

from __future__ import annotations

import os
import sys
from pathlib import Path

CATALOGUE = "catalogue.sqlite"


def catalogue_place(path: Path | None = None) -> Path:
    """Return ``path``, or where the catalogue is when nobody says otherwise."""
    return path if path is not None else data_folder() / CATALOGUE


def data_folder() -> Path:
    """Return the platform's folder for this user's mediashelf data (it may not exist yet).

    Linux and others: ``$XDG_DATA_HOME/mediashelf``, else
    ``~/.local/share/mediashelf`` (XDG Base Directory Specification).
    macOS: ``~/Library/Application Support/mediashelf``, unless XDG_DATA_HOME is set and
    there is no folder yet. Windows: ``%LOCALAPPDATA%\\mediashelf``.
    """
    local = os.environ.get("LOCALAPPDATA", "")
    if sys.platform == "win32" and local:
        return Path(local) / "mediashelf"
    if (folder := _told_folder()) is not None:
        return folder / "mediashelf"
    from platformdirs import user_data_path  # only where it takes more to tell: start-up time

    if sys.platform == "darwin":
        usual = Path.home() / "Library" / "Application Support" / "mediashelf"
        if usual.is_dir():
            return usual
    return user_data_path("mediashelf", appauthor=False)


def _told_folder() -> Path | None:
    """Return the folder for data that the environment tells in Linux, where both rules are short.

    A relative path is to be ignored (XDG Base Directory Specification). Android has other places.
    """
    if sys.platform != "linux" or "ANDROID_ROOT" in os.environ:
        return None
    told, home = (Path(os.environ.get(name, "")) for name in ("XDG_DATA_HOME", "HOME"))
    if told.is_absolute():
        return told
    return home / ".local" / "share" if home.is_absolute() else None
