"""Cabinets in several parts, made into one plain cabinet of the files that can be had.

The last folder of a part goes on in the first of the next where files say so. A file in several
parts is listed in each of them. Folder numbers of files that go on: Microsoft's description of
the format (1997), as quoted elsewhere.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from typing import NamedTuple

from msgspec import Struct

from mediashelf.errors import FormatError
from mediashelf.formats.fields import View
from mediashelf.formats.packed.cabinets.blocks import CutBlocks, refuse_above
from mediashelf.formats.packed.cabinets.records import (
    FOLDER_SIZE,
    HEADER_SIZE,
    CabinetFile,
    CabinetHeader,
    Compression,
    iter_files,
    iter_folders,
    read_cabinet_header,
)

_HEADER = struct.Struct("<4sIIIIIBBHHHHH")
_FOLDER = struct.Struct("<IHH")
_MOST_FOLDERS = 0xFFFD  # above are the marks of files that go on
_MOST = 0xFFFF
_MOST_BYTES = 0xFFFFFFFF

QUANTUM = "it is compressed by Quantum, which cannot be opened here"

_Key = tuple[int, int, int, str]


class LostFile(NamedTuple):
    """A file that cannot be had, and why."""

    name: str
    size: int
    reason: str


class _Folder(Struct):
    data_at: int
    kind: int  # with the window of LZX
    why: str = ""  # not all its data can be had, or nothing where it is closed
    is_closed: bool = False
    block_count: int = 0
    expanded: int = 0

    def close(self, why: str) -> None:
        self.is_closed = True
        self.why = self.why or why


class JoinedCabinet:
    """One cabinet of the parts that are added in their order.

    A block whose checksum was wrong has a wrong one again, so that its files are refused.
    ``before`` says why a file that goes on from before the first part that is added cannot be
    had. ``knows_files`` tells whether the files of the last part are known; ``goes_on``, whether
    another must follow. ``lost`` is filled by :meth:`head`.
    """

    def __init__(self, before: str = "") -> None:
        self.lost: tuple[LostFile, ...] = ()
        self.is_empty = True  # no file can be had; known when all are added
        self.knows_files = False
        self._broken = before  # why what goes on from the part before cannot be had
        self._folders: list[_Folder] = []
        self._records: dict[_Key, bytes] = {}
        self._open: set[_Key] = set()
        self._folder_count = self._size = 0
        self._blocks = CutBlocks()

    @property
    def goes_on(self) -> bool:
        """Whether a file, or a data block, of the last part is not at its end."""
        return bool(self._open) or self._blocks.is_open

    def add(self, view: View, name: str) -> Iterator[bytes]:
        """Yield the data blocks of the next part.

        Raises :class:`FormatError` where it is damaged or does not go on from the part before;
        then the next one may be added all the same.
        """
        self.knows_files = False
        try:
            yield from self._add(view)
        except FormatError:
            self._broken = f"its data is in one run with that of {name}, which is damaged"
            for folder in self._folders[-1:]:
                folder.why = folder.why or self._broken
            for index in range(len(self._folders), self._folder_count):
                self._folders.append(_Folder(self._size, 0))
                self._folders[index].close(self._broken)
            self._open = set()
            self._blocks.drop()
            raise

    def _add(self, view: View) -> Iterator[bytes]:
        header = read_cabinet_header(view)
        folders = list(iter_folders(view, header))
        files = list(iter_files(view, header))
        goes_on = any(file.continues_before for file, _ in files)
        before, self._broken = self._broken, ""
        if goes_on and before:
            self._folders.append(_Folder(self._size, folders[0][1] if folders else 0))
            self._folders[-1].close(before)
        first = len(self._folders) - goes_on
        self._add_files(first, files, header, is_after_gap=bool(before))
        self.knows_files = True
        self._blocks.begin(view)
        for number, (folder, kind) in enumerate(folders):
            if number or not goes_on:
                self._folders.append(_Folder(self._size, kind))
            own = self._folders[-1]
            if own.kind != kind:
                raise FormatError(
                    "compression of a folder that goes on",
                    at=header.folders_offset + 6,
                    found=hex(kind),
                    expected=hex(own.kind),
                )
            if folder.compression is Compression.QUANTUM:
                own.close(QUANTUM)
            if own.is_closed:
                continue
            is_last = number == len(folders) - 1 and bool(header.following)
            for block, expanded_size in self._blocks.iter_whole(
                folder, header.block_reserve, may_be_cut=is_last
            ):
                own.block_count += 1
                own.expanded += expanded_size
                refuse_above(_MOST, own.block_count, "data blocks of a folder")
                self._size += len(block)
                refuse_above(_MOST_BYTES, self._size, "bytes of all parts")
                yield block

    def head(self, why: str = "") -> bytes:
        """Return what comes before the data blocks, when all parts are added.

        ``why`` says why what goes on after the last part cannot be had.
        """
        kept: list[_Key] = []
        lost: dict[tuple[int, int, str], str] = {}  # one that goes on is in the folders of two
        for key in sorted(self._records):
            if self._is_lost(key):
                reason = self._folders[key[0]].why or why or "its data is not in the cabinet"
                lost.setdefault(key[1:], reason)
            else:
                kept.append(key)
        self.lost = tuple(LostFile(name, size, reason) for (_, size, name), reason in lost.items())
        self.is_empty = not kept
        numbers = [index for index in range(len(self._folders)) if self._has_data(index)]
        folders = [self._folders[index] for index in numbers]
        places = {index: struct.pack("<H", place) for place, index in enumerate(numbers)}
        files = b"".join(
            self._records[key][:8] + places[key[0]] + self._records[key][10:] for key in kept
        )
        refuse_above(_MOST_FOLDERS, len(folders), "folders of all parts")
        refuse_above(_MOST, len(kept), "files of all parts")
        files_at = HEADER_SIZE + len(folders) * FOLDER_SIZE
        data_at = files_at + len(files)
        size = data_at + self._size
        refuse_above(_MOST_BYTES, size, "bytes of all parts")
        counts = len(folders), len(kept)
        header = _HEADER.pack(b"MSCF", 0, size, 0, files_at, 0, 3, 1, *counts, 0, 0, 0)
        table = (
            _FOLDER.pack(data_at + folder.data_at, folder.block_count, folder.kind)
            for folder in folders
        )
        return header + b"".join(table) + files

    def _is_lost(self, key: _Key) -> bool:
        index, offset, size, _ = key
        folder = self._folders[index]
        is_cut = bool(folder.why) and offset + size > folder.expanded
        return is_cut or key in self._open or not self._has_data(index)

    def _has_data(self, index: int) -> bool:
        return not self._folders[index].is_closed and self._folders[index].block_count > 0

    def _add_files(
        self,
        first: int,
        files: list[tuple[CabinetFile, bytes]],
        header: CabinetHeader,
        *,
        is_after_gap: bool,
    ) -> None:
        before: set[_Key] = set()
        after: set[_Key] = set()
        records: dict[_Key, bytes] = {}
        for file, record in files:
            is_across = file.continues_before and file.continues_after
            if not header.folder_count or (is_across and header.folder_count > 1):
                raise FormatError(
                    "folders", at=26, found=header.folder_count, expected="those of its files"
                )
            index = max(first, 0) + file.folder_index
            key: _Key = (index, file.offset, file.size, file.name)
            if file.continues_before:
                before.add(key)
            if file.continues_after:
                after.add(key)
            records.setdefault(key, record)
        # One file that both parts list is enough: not all programs listed each small one.
        is_other = bool(before) != bool(self._open) or (before and not before & self._open)
        if is_other and not is_after_gap:
            raise FormatError(
                "files that go on from the part before",
                at=header.files_offset,
                found=_names(before),
                expected=_names(self._open),
            )
        self._records = records | self._records
        self._folder_count = max(first, 0) + header.folder_count
        self._open = after


def _names(keys: set[_Key]) -> str:
    return ", ".join(name for *_, name in sorted(keys)[:3]) or "none"
