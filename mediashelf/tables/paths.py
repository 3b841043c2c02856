"""How a path is written into a TOML file: from the folder that the file is in."""

from __future__ import annotations

import os
from pathlib import Path


def path_from(path: Path, folder: Path) -> str:
    """Return the path from a folder, with ``/``; absolute where there is no way."""
    try:
        return Path(os.path.relpath(path, folder)).as_posix()
    except ValueError:  # another drive
        return path.absolute().as_posix()


def can_be_written(text: str) -> bool:
    """Tell whether TOML, which is UTF-8, can contain a path: names may be any bytes."""
    try:
        text.encode("utf-8")
    except UnicodeEncodeError:
        return False
    return True
