"""Source folders for tests of building."""

from __future__ import annotations

import os
import warnings
import zipfile
from collections.abc import Mapping, Sequence
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


ZIP_DATE = (1999, 6, 12, 10, 0, 0)  # the same moment, if the archive's clock ran in UTC


def write_zip(
    path: Path,
    members: Mapping[str, bytes] | Sequence[tuple[str, bytes]],
    *,
    method: int = zipfile.ZIP_DEFLATED,
    date: tuple[int, int, int, int, int, int] = ZIP_DATE,
    extra: bytes = b"",
    mode: int = 0,
) -> Path:
    """Write an archive; names that end in ``/`` are folders, names may occur twice."""
    pairs = list(members.items()) if isinstance(members, Mapping) else members
    with warnings.catch_warnings(), zipfile.ZipFile(path, "w") as archive:
        warnings.simplefilter("ignore", UserWarning)  # a name twice, on purpose
        for name, data in pairs:
            information = zipfile.ZipInfo("placeholder", date)
            information.filename = name  # as it is, also with \\ and NUL
            information.compress_type = method
            information.extra = extra
            information.create_system = 3 if mode else 0
            information.external_attr = mode << 16
            archive.writestr(information, data)
    return path
