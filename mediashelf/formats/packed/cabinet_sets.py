"""Cabinets in several parts, made into one plain cabinet of the files that can be had.

The last folder of a part goes on in the first of the next where files say so. A data block
that is cut there has 0 for its expanded size in all parts but the last of it, and each piece
has a checksum of its own. A file in several parts is listed in each of them.

Folder numbers of files that go on: Microsoft's description of the format (1997), as quoted
elsewhere. Cut blocks are those of libmspack's source (0.11), whose own set is read alike.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass
from typing import NamedTuple

from mediashelf.errors import FormatError
from mediashelf.formats.fields import View
from mediashelf.formats.packed.cabinet import (
    BLOCK_HEADER_SIZE,
    FILE_SIZE,
    FOLDER_SIZE,
    HEADER_SIZE,
    MAX_HEADER_SIZE,
    MAX_NAME_SIZE,
    MAX_STORED_SIZE,
    CabinetFile,
    CabinetFolder,
    CabinetHeader,
    Compression,
    data_block_checksum,
    parse_cabinet_file,
    parse_cabinet_folder,
    parse_cabinet_header,
    parse_data_block,
)

_HEADER = struct.Struct("<4sIIIIIBBHHHHH")
_FOLDER = struct.Struct("<IHH")
_SIZES = struct.Struct("<HH")
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


@dataclass(slots=True)
class _Folder:
    data_at: int
    kind: int  # with the window of LZX
    block_count: int = 0


class JoinedCabinet:
    """One cabinet of the parts that are added in their order.

    A block whose checksum was wrong has a wrong one again, so that its files are refused.
    ``begins_with`` is the name of the first part where only later ones are added: what goes on
    from before is lost. ``lost`` is filled by :meth:`head`.
    """

    def __init__(self, begins_with: str = "") -> None:
        self.lost: tuple[LostFile, ...] = ()
        self.is_empty = True  # no file can be had; known when all are added
        self._begins_with = begins_with
        self._folders: list[_Folder] = []
        self._closed: dict[int, str] = {}  # folders that are left out, and why
        self._records: dict[_Key, bytes] = {}
        self._open: set[_Key] = set()
        self._size = self._left = 0
        self._piece = b""
        self._is_bad = self._is_checked = False

    def add(self, view: View) -> Iterator[bytes]:
        """Yield the data blocks of the next part; raises :class:`FormatError` where it is damaged
        or does not go on from the part before.
        """
        header = parse_cabinet_header(view.read(0, MAX_HEADER_SIZE))
        folders = list(_iter_folders(view, header))
        files = list(_iter_files(view, header))
        goes_on = any(file.continues_before for file, _ in files)
        if goes_on and self._begins_with and not self._folders:
            self._folders.append(_Folder(0, folders[0][1] if folders else 0))
            self._closed[0] = (
                f"it begins before this part, and {self._begins_with} is not beside the archive"
            )
            self._open = _going_on(files)
        first = len(self._folders) - goes_on
        self._add_files(first, files, header)
        self._left = view.size
        for number, (folder, kind) in enumerate(folders):
            if number or not goes_on:
                self._folders.append(_Folder(self._size, kind))
            elif self._folders[-1].kind != kind:
                raise FormatError(
                    "compression of a folder that goes on",
                    at=header.folders_offset + 6,
                    found=hex(kind),
                    expected=hex(self._folders[-1].kind),
                )
            index = len(self._folders) - 1
            if folder.compression is Compression.QUANTUM:
                self._closed.setdefault(index, QUANTUM)
            if index in self._closed:
                continue
            is_last = number == len(folders) - 1 and bool(header.following)
            for block in self._iter_blocks(view, folder, header.block_reserve, is_last):
                self._size += len(block)
                _refuse_above(_MOST_BYTES, self._size, "bytes of all parts")
                yield block

    def head(self, missing: str = "") -> bytes:
        """Return what comes before the data blocks, when all parts are added.

        ``missing`` is the name of the part after the last one, where it is not to be had.
        """
        if (self._open or self._piece) and not missing:
            raise FormatError(
                "name of the part that follows",
                at="its header",
                found="",
                expected="one, for its last file goes on",
            )
        broken = f"it goes on in {missing}, which is not beside the archive"
        reasons = {
            key: self._closed.get(key[0], broken)
            for key in sorted(self._records)
            if key in self._open or not self._has_data(key[0])
        }
        self.lost = tuple(LostFile(key[3], key[2], why) for key, why in reasons.items())
        kept = [key for key in sorted(self._records) if key not in reasons]
        self.is_empty = not kept
        numbers = [index for index in range(len(self._folders)) if self._has_data(index)]
        folders = [self._folders[index] for index in numbers]
        places = {index: struct.pack("<H", place) for place, index in enumerate(numbers)}
        files = b"".join(
            self._records[key][:8] + places[key[0]] + self._records[key][10:] for key in kept
        )
        _refuse_above(_MOST_FOLDERS, len(folders), "folders of all parts")
        _refuse_above(_MOST, len(kept), "files of all parts")
        files_at = HEADER_SIZE + len(folders) * FOLDER_SIZE
        data_at = files_at + len(files)
        size = data_at + self._size
        _refuse_above(_MOST_BYTES, size, "bytes of all parts")
        counts = len(folders), len(kept)
        header = _HEADER.pack(b"MSCF", 0, size, 0, files_at, 0, 3, 1, *counts, 0, 0, 0)
        table = (
            _FOLDER.pack(data_at + folder.data_at, folder.block_count, folder.kind)
            for folder in folders
        )
        return header + b"".join(table) + files

    def _has_data(self, index: int) -> bool:
        return index not in self._closed and self._folders[index].block_count > 0

    def _add_files(
        self, first: int, files: list[tuple[CabinetFile, bytes]], header: CabinetHeader
    ) -> None:
        before: set[_Key] = set()
        after: set[_Key] = set()
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
            self._records.setdefault(key, record)
        # One file that both parts list is enough: not all programs listed each small one.
        if bool(before) != bool(self._open) or (before and not before & self._open):
            raise FormatError(
                "files that go on from the part before",
                at=header.files_offset,
                found=_names(before),
                expected=_names(self._open),
            )
        self._open = after

    def _iter_blocks(
        self, view: View, folder: CabinetFolder, reserve: int, may_be_cut: bool
    ) -> Iterator[bytes]:
        """Yield blocks; those of all folders of a part have no more bytes than the part."""
        at = folder.data_offset
        for number in range(folder.block_count):
            head = view.read(at, BLOCK_HEADER_SIZE + reserve)
            block = parse_data_block(head, at)
            payload = view.read(at + len(head), block.stored_size)
            self._left -= BLOCK_HEADER_SIZE + len(payload)
            if len(payload) < block.stored_size or self._left < 0:
                raise FormatError(
                    "length of the data block",
                    at=at,
                    found=len(payload),
                    expected=f"{block.stored_size} bytes of its own",
                )
            computed = data_block_checksum(head, payload)
            self._is_bad |= block.checksum not in (0, computed)
            self._is_checked |= block.checksum != 0
            self._piece += payload
            _refuse_above(MAX_STORED_SIZE, len(self._piece), "stored size of a data block")
            if block.expanded_size:
                yield self._whole_block(block.expanded_size)
            elif not (may_be_cut and number == folder.block_count - 1):
                raise FormatError(
                    "expanded size of a data block", at=at + 6, found=0, expected="1 or more"
                )
            at += len(head) + len(payload)

    def _whole_block(self, expanded_size: int) -> bytes:
        self._folders[-1].block_count += 1
        _refuse_above(_MOST, self._folders[-1].block_count, "data blocks of a folder")
        rest = _SIZES.pack(len(self._piece), expanded_size)
        checksum = data_block_checksum(bytes(4) + rest, self._piece) if self._is_checked else 0
        if self._is_bad:
            checksum ^= 1 if checksum != 1 else 2  # 0 would say that none was recorded
        made = checksum.to_bytes(4, "little") + rest + self._piece
        self._piece, self._is_bad, self._is_checked = b"", False, False
        return made


def _going_on(files: list[tuple[CabinetFile, bytes]]) -> set[_Key]:
    """Return the files of a first part that go on from one before it."""
    return {
        (file.folder_index, file.offset, file.size, file.name)
        for file, _ in files
        if file.continues_before
    }


def _iter_folders(view: View, header: CabinetHeader) -> Iterator[tuple[CabinetFolder, int]]:
    """Yield each folder with its whole type."""
    for index in range(header.folder_count):
        at = header.folders_offset + index * (FOLDER_SIZE + header.folder_reserve)
        record = view.read(at, FOLDER_SIZE)
        yield parse_cabinet_folder(record, at), _FOLDER.unpack(record)[2]


def _iter_files(view: View, header: CabinetHeader) -> Iterator[tuple[CabinetFile, bytes]]:
    at = header.files_offset
    for _ in range(header.file_count):
        record = view.read(at, FILE_SIZE + MAX_NAME_SIZE + 1)
        file = parse_cabinet_file(record, at, header.folder_count)
        yield file, record[: file.record_size]
        at += file.record_size


def _names(keys: set[_Key]) -> str:
    return ", ".join(name for *_, name in sorted(keys)[:3]) or "none"


def _refuse_above(most: int, count: int, field: str) -> None:
    if count > most:
        raise FormatError(field, at="the set", found=count, expected=f"at most {most}")
