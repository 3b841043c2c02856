"""Source folders for tests of building."""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path

DATE = 929_181_600  # 12 June 1999, 10:00 UTC


def write_tree(top: Path, files: Mapping[str, bytes], *, date: int = DATE) -> Path:
    """Write files, and empty folders for names that end in ``/``; all with one date."""
    top.mkdir(parents=True, exist_ok=True)
    for name, data in files.items():
        path = top / name
        if name.endswith("/"):
            path.mkdir(parents=True)
            continue
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data)
        os.utime(path, (date, date))
    return top
