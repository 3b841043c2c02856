"""Cabinets: structure, data-block checksums, and expansion of MSZIP folders."""

from __future__ import annotations

from collections.abc import Iterator

from msgspec import Struct
from msgspec.structs import replace

from mediashelf.errors import FormatError
from mediashelf.formats.fields import View
from mediashelf.formats.packed.cabinets.blocks import BLOCK_HEADER_SIZE
from mediashelf.formats.packed.cabinets.records import (
    FILE_SIZE,
    FOLDER_SIZE,
    MAX_NAME_SIZE,
    SOURCE,
    CabinetFile,
    CabinetFolder,
    CabinetHeader,
    Compression,
    parse_cabinet_file,
    parse_cabinet_folder,
    read_cabinet_header,
)
from mediashelf.formats.packed.signatures import ARCHIVES, detect_format
from mediashelf.integrity.inside.selfchecks.cabinet_contents import FolderContents
from mediashelf.integrity.inside.selfchecks.cabinet_data import DataWalk, MszipExpander, WalkedBlock
from mediashelf.integrity.inside.selfchecks.faults import (
    ExpansionAllowance,
    Fault,
    Tally,
    structure_fault,
)

_STRUCTURE = "cabinet-structure-holds"
_CHECKSUM = "cabinet-checksums-agree"
_EXPANSION = "cabinet-data-expands"

_NOT_EXPANDED = {
    Compression.QUANTUM: "Quantum data blocks: checksum only",
    Compression.LZX: "LZX data blocks: checksum only",
}


def iter_cabinet_faults(view: View, tally: Tally) -> Iterator[Fault]:
    """Yield what is wrong in a cabinet.

    Every data block's checksum is computed; MSZIP blocks are also expanded to
    their recorded size. LZX and Quantum folders get the checksums only, which
    the tally says.
    """
    try:
        header = read_cabinet_header(view)
    except FormatError as error:
        yield structure_fault(_STRUCTURE, error, size=4, source=SOURCE)
        return
    folders: list[CabinetFolder] = []
    files: list[CabinetFile] = []
    yield from _read_folders(view, header, folders)
    yield from _read_files(view, header, files)
    by_folder: dict[int, list[CabinetFile]] = {}
    for file in files:
        by_folder.setdefault(file.folder_index, []).append(file)
    walk = DataWalk(view, header.block_reserve)
    data = _Folders(view, tally, ExpansionAllowance(view.size), walk)
    for index, folder in enumerate(folders):
        yield from data.iter_faults(index, folder, by_folder.get(index, []))
    yield from _iter_size_faults(header, view.size, max((end for _, end in walk.walked), default=0))


def _iter_size_faults(header: CabinetHeader, file_size: int, data_end: int) -> Iterator[Fault]:
    """The recorded size is between the end of the data and that of the file.

    A signature may follow the cabinet in its file.
    """
    if not data_end <= header.size <= file_size:
        yield Fault(
            rule=_STRUCTURE,
            message=f"the cabinet should have {header.size:,} bytes; the file has {file_size:,}, "
            f"the data end at {data_end:,}",
            offset=8,
            size=4,
            found=str(header.size),
            expected=f"{data_end} to {file_size}",
            source=SOURCE,
        )


def _read_folders(
    view: View, header: CabinetHeader, folders: list[CabinetFolder]
) -> Iterator[Fault]:
    step = FOLDER_SIZE + header.folder_reserve
    for index in range(header.folder_count):
        at = header.folders_offset + index * step
        try:
            folders.append(parse_cabinet_folder(view.read(at, FOLDER_SIZE), at))
        except FormatError as error:
            yield structure_fault(_STRUCTURE, error, size=FOLDER_SIZE, source=SOURCE)
            return


def _read_files(view: View, header: CabinetHeader, files: list[CabinetFile]) -> Iterator[Fault]:
    at = header.files_offset
    for _ in range(header.file_count):
        data = view.read(at, FILE_SIZE + MAX_NAME_SIZE + 1)
        try:
            file = parse_cabinet_file(data, at, header.folder_count)
        except FormatError as error:
            yield structure_fault(_STRUCTURE, error, size=FILE_SIZE, source=SOURCE)
            return
        files.append(file)
        at += file.record_size


class _Folders(Struct):
    """What the checks of one cabinet's folders share."""

    view: View
    tally: Tally
    allowance: ExpansionAllowance
    walk: DataWalk

    def iter_faults(
        self, index: int, folder: CabinetFolder, files: list[CabinetFile]
    ) -> Iterator[Fault]:
        """Yield what is wrong in the data of one folder."""
        contents = FolderContents(files)
        expander = MszipExpander(is_open=not contents.continues_before)
        bad: list[WalkedBlock] = []
        expanded = 0
        try:
            for block, payload in self.walk.iter_blocks(folder):
                expanded = block.expanded_at + block.expanded_size
                if block.is_bad:
                    bad.append(block)
                    expander.is_open = False  # all that follows would come out wrong
                    continue
                if contents.continues_after and block.number == folder.block_count - 1:
                    expander.is_open = False  # the rest of it is in the next cabinet
                problem, output = self._expand(folder, block, payload, expander)
                if contents.continues_before and block.number == 0:
                    problem = ""  # the beginning of it is in the cabinet before
                if problem:
                    named = contents.named(block.expanded_at, expanded)
                    yield self._not_expanded(index, block, problem, named)
                    continue
                self._count_checksum(block)
                self.tally.nested_archives += sum(
                    detect_format(head) in ARCHIVES
                    for head in contents.heads(block.expanded_at, output)
                )
        except FormatError as error:
            yield from self._broken_chain(index, error, contents, expanded)
        else:
            if not (contents.continues_before or contents.continues_after):
                yield from self._files_beyond(index, contents, expanded)
        for group in _consecutive(bad):
            yield self._bad_checksums(index, group, contents)

    def _expand(
        self, folder: CabinetFolder, block: WalkedBlock, payload: bytes, expander: MszipExpander
    ) -> tuple[str, bytes]:
        """Return what is wrong with a block's data, if anything is, and what it expands to."""
        if folder.compression == Compression.STORED:
            if len(payload) != block.expanded_size and block.expanded_size:
                return f"has {len(payload):,} bytes, expected {block.expanded_size:,}", b""
            return "", payload
        if folder.compression != Compression.MSZIP:
            self.tally.unverified[_NOT_EXPANDED[folder.compression]] += 1
            return "", b""
        if not (expander.is_open and self.allowance.take(block.expanded_size)):
            self.tally.unverified["MSZIP data blocks: checksum only"] += 1
            return "", b""
        problem, output = expander.expand(payload, block.expanded_size)
        expander.is_open = not problem
        if not problem:
            self.tally.verified["data blocks expanded"] += 1
        return problem, output

    def _count_checksum(self, block: WalkedBlock) -> None:
        if block.recorded:
            self.tally.verified["data block checksums"] += 1
        else:
            self.tally.unverified["data blocks without a checksum"] += 1

    def _broken_chain(
        self, index: int, error: FormatError, contents: FolderContents, expanded: int
    ) -> Iterator[Fault]:
        at = error.at if isinstance(error.at, int) else 0
        is_cut = error.field.startswith("length")
        size = max(BLOCK_HEADER_SIZE, self.view.size - at if is_cut else 0)
        fault = structure_fault(_STRUCTURE, error, size=size, source=SOURCE)
        lost = contents.named(expanded, 1 << 63)
        message = f"folder {index} breaks off: {fault.message}; cut or lost: {lost}"
        yield replace(fault, message=message)

    def _files_beyond(self, index: int, contents: FolderContents, expanded: int) -> Iterator[Fault]:
        for file in contents.beyond(expanded):
            yield Fault(
                rule=_STRUCTURE,
                message=f"{file.name} should end at byte {file.offset + file.size:,} of folder "
                f"{index}, which has {expanded:,}",
                offset=file.at,
                size=file.record_size,
                found=str(expanded),
                expected=str(file.offset + file.size),
                source=SOURCE,
            )

    def _not_expanded(self, index: int, block: WalkedBlock, problem: str, named: str) -> Fault:
        return Fault(
            rule=_EXPANSION,
            message=f"data block {block.number} of folder {index} {problem}; it holds {named}",
            offset=block.at,
            size=block.end - block.at,
            source=SOURCE,
        )

    def _bad_checksums(
        self, index: int, group: list[WalkedBlock], contents: FolderContents
    ) -> Fault:
        first, last = group[0], group[-1]
        named = contents.named(first.expanded_at, last.expanded_at + last.expanded_size)
        blocks = f"data block {first.number}"
        if len(group) > 1:
            blocks = f"data blocks {first.number} to {last.number}"
        return Fault(
            rule=_CHECKSUM,
            message=f"{blocks} of folder {index} do not match the recorded checksum; hit: {named}",
            offset=first.at,
            size=last.end - first.at,
            found=f"{first.computed:08x}",
            expected=f"{first.recorded:08x}",
            source=SOURCE,
        )


def _consecutive(blocks: list[WalkedBlock]) -> Iterator[list[WalkedBlock]]:
    group: list[WalkedBlock] = []
    for block in blocks:
        if group and block.number != group[-1].number + 1:
            yield group
            group = []
        group.append(block)
    if group:
        yield group
