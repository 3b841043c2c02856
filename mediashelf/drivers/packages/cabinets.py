"""What packed files of a tree hold: the list of a cabinet, the length in a compressed file."""

from __future__ import annotations

from collections.abc import Mapping

from mediashelf.drivers.packages.tree import PackageTree, TreeFile, folder_of
from mediashelf.errors import FormatError, MediashelfError
from mediashelf.formats.packed.cabinets.records import (
    FILE_SIZE,
    MAX_NAME_SIZE,
    CabinetFile,
    CabinetHeader,
    parse_cabinet_file,
    parse_cabinet_header,
)
from mediashelf.formats.packed.compressed import (
    METHOD_INVERTED,
    METHOD_LZSS,
    METHOD_STORED,
    LzssLength,
    parse_compressed_header,
)

MAX_LIST = 4 << 20
"""Bytes of a cabinet that are read; its list of files stands in front."""

MAX_COUNTED = 16 << 20
"""Bytes of a compressed file that are counted through; what is longer is not a driver."""

BROKEN_OFF = -2
"""In the place of the size of a file whose rest is not there."""

CABINET_MARK = b"MSCF"
_COMPRESSED_MARKS = (b"SZDD", b"KWAJ")
_HEAD = 1024
_MOST_CABINETS = 256
_MOST_FROM_A_BYTE = 9
"""LZSS makes at most 18 bytes of 2, and has one more for every 16 of them."""


def cabinet_files(tree: PackageTree, file: TreeFile) -> Mapping[str, int] | None:
    """Return the sizes of a cabinet's files by lower-case base name.

    None when it cannot be read, or is shorter than it says. A file whose bytes go on in a
    cabinet of the set that is not beside it has :data:`BROKEN_OFF` instead of its size.
    """
    try:
        header, members = _read_list(tree, file)
        return {
            member.name.replace("\\", "/").rpartition("/")[2].lower(): member.size
            if _is_whole(tree, file, header, member)
            else BROKEN_OFF
            for member in members
        }
    except (OSError, FormatError, MediashelfError):
        return None


def _read_list(tree: PackageTree, file: TreeFile) -> tuple[CabinetHeader, list[CabinetFile]]:
    data = tree.read(file, MAX_LIST)
    header = parse_cabinet_header(data)
    if header.size > file.size:
        raise FormatError("size", at=8, found=header.size, expected=f"at most {file.size}")
    members: list[CabinetFile] = []
    at = header.files_offset
    for _ in range(header.file_count):
        record = data[at : at + FILE_SIZE + MAX_NAME_SIZE]
        members.append(parse_cabinet_file(record, at, max(header.folder_count, 1)))
        at += members[-1].record_size
    return header, members


def _is_whole(
    tree: PackageTree, file: TreeFile, header: CabinetHeader, member: CabinetFile
) -> bool:
    """Whether all cabinets that a file goes on in are beside it, and list it."""
    for is_forward in (True, False):
        near, part = header, member
        for _ in range(_MOST_CABINETS):
            if not (part.continues_after if is_forward else part.continues_before):
                break
            name = near.following if is_forward else near.previous
            other = tree.find(f"{folder_of(file.path)}/{name}")
            if other is None:
                return False
            try:
                near, listed = _read_list(tree, other)
            except (OSError, MediashelfError):
                return False
            found = [one for one in listed if one.name == member.name]
            if not found:
                return False
            part = found[0]
        else:
            return False
    return True


def is_cabinet(tree: PackageTree, file: TreeFile) -> bool:
    """Whether a file begins as a cabinet does, whatever its name."""
    return _head(tree, file).startswith(CABINET_MARK)


def expanded_size(tree: PackageTree, file: TreeFile) -> int:
    """Return how long a file such as ``NAME.SY_`` is when it is expanded, -1 if unknown.

    One that is not compressed in spite of its name has its own length; one that holds
    less than it says is :data:`BROKEN_OFF`.
    """
    head = _head(tree, file)
    if not head.startswith(_COMPRESSED_MARKS):
        if not head.startswith(CABINET_MARK):
            return file.size
        files = cabinet_files(tree, file)
        return max(files.values(), default=BROKEN_OFF) if files is not None else BROKEN_OFF
    try:
        header = parse_compressed_header(head)
    except FormatError:
        return BROKEN_OFF
    if header.size is None:
        return -1
    packed = max(file.size - header.data_offset, 0)
    if header.method in (METHOD_STORED, METHOD_INVERTED):
        is_whole = packed >= header.size
    elif header.method == METHOD_LZSS:
        is_whole = (
            packed * _MOST_FROM_A_BYTE >= header.size
            and _length(tree, file, header.data_offset, header.size) >= header.size
        )
    else:
        is_whole = packed > 0  # the other methods cannot be counted
    return header.size if is_whole else BROKEN_OFF


def _length(tree: PackageTree, file: TreeFile, start: int, limit: int) -> int:
    """Return how many bytes an LZSS stream expands to, at most about ``limit``."""
    try:
        data = tree.read(file, MAX_COUNTED)
    except (OSError, MediashelfError):
        return BROKEN_OFF
    counter = LzssLength()
    counter.update(data[start:])
    return limit if file.size > MAX_COUNTED else counter.finish(limit)


def _head(tree: PackageTree, file: TreeFile) -> bytes:
    try:
        return tree.read(file, _HEAD)
    except (OSError, MediashelfError):
        return b""
