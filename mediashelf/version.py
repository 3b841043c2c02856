"""What this program is, and the place that it runs in."""

from __future__ import annotations

import os
import sys

from mediashelf import __version__


def version_text() -> str:
    """Return the version, with what a report of a fault should say of the place it runs in."""
    python = ".".join(map(str, sys.version_info[:3]))
    if sys.platform == "win32":
        windows = sys.getwindowsversion()
        system = f"Windows {windows.major}.{windows.minor}.{windows.build}"
    else:
        names = os.uname()
        system = f"{names.sysname} {names.release} {names.machine}"
    return f"mediashelf, version {__version__}\nPython {python}, {system}"
