"""Where data of this user lives on this platform."""

from __future__ import annotations

import os
import sys
from pathlib import Path


def data_folder() -> Path:
    """Return the platform's folder for this user's mediashelf data (it may not exist yet).

    Linux and others: ``$XDG_DATA_HOME/mediashelf``, else
    ``~/.local/share/mediashelf`` (XDG Base Directory Specification).
    macOS: ``~/Library/Application Support/mediashelf``.
    Windows: ``%LOCALAPPDATA%\\mediashelf``.
    """
    if sys.platform == "win32":
        base = os.environ.get("LOCALAPPDATA")
        return Path(base or Path.home() / "AppData" / "Local") / "mediashelf"
    if sys.platform == "darwin":
        return Path.home() / "Library" / "Application Support" / "mediashelf"
    base = os.environ.get("XDG_DATA_HOME", "")
    # The specification says a relative value is to be ignored.
    root = Path(base) if base.startswith("/") else Path.home() / ".local" / "share"
    return root / "mediashelf"
