"""The names of the files in a cabinet of a tree, read from its first bytes."""

from __future__ import annotations

from mediashelf.drivers.packages.tree import PackageTree, TreeFile
from mediashelf.errors import FormatError, MediashelfError
from mediashelf.formats.packed.cabinet import (
    FILE_SIZE,
    MAX_NAME_SIZE,
    parse_cabinet_file,
    parse_cabinet_header,
)

MAX_LIST = 4 << 20
"""Bytes of a cabinet that are read; its list of files stands in front."""


def cabinet_names(tree: PackageTree, file: TreeFile) -> frozenset[str] | None:
    """Return the lower-case base names of a cabinet's files, None when it cannot be read.

    Cabinets that continue in others list what they hold a part of.
    """
    try:
        data = tree.read(file, MAX_LIST)
        header = parse_cabinet_header(data)
        names = []
        at = header.files_offset
        for _ in range(header.file_count):
            record = data[at : at + FILE_SIZE + MAX_NAME_SIZE]
            member = parse_cabinet_file(record, at, max(header.folder_count, 1))
            names.append(member.name.replace("\\", "/").rpartition("/")[2].lower())
            at += member.record_size
    except (OSError, FormatError, MediashelfError):
        return None
    return frozenset(names)
