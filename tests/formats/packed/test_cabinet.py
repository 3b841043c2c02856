"""The byte layout of cabinets: headers, files, data blocks, checksum."""

from __future__ import annotations

import struct

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from make_files import cabinet_checksum, make_cabinet
from mediashelf.errors import FormatError
from mediashelf.formats.packed.cabinets.blocks import data_block_checksum, parse_data_block
from mediashelf.formats.packed.cabinets.records import (
    parse_cabinet_file,
    parse_cabinet_folder,
    parse_cabinet_header,
)

FILES = [{"A.TXT": b"a" * 10, "B.TXT": b"b" * 20}]


@given(st.binary(max_size=200), st.binary(min_size=4, max_size=20))
@settings(derandomize=True, deadline=None)
def test_the_checksum_folds_as_the_words_would(payload: bytes, header: bytes) -> None:
    expected = cabinet_checksum(header[4:], cabinet_checksum(payload))
    assert data_block_checksum(header, payload) == expected


def test_a_checksum_worked_by_hand() -> None:
    # 0x04030201 ^ 0x08070605, then the odd bytes 9, 10, 11 high byte first.
    payload = bytes(range(1, 12))
    assert data_block_checksum(bytes(4), payload) == 0x04030201 ^ 0x08070605 ^ 0x090A0B


def test_header_with_neighbours_and_reserve() -> None:
    made = make_cabinet(FILES, reserve=(7, 2, 3), previous="one.cab", following="three.cab")
    header = parse_cabinet_header(made.data)
    assert header.size == len(made.data)
    assert (header.folder_count, header.file_count) == (1, 2)
    assert (header.folder_reserve, header.block_reserve) == (2, 3)
    # The neighbours' names are between the header and the folders.
    assert header.folders_offset == made.at("folder 0")
    assert header.files_offset == made.at("file A.TXT")
    folder = parse_cabinet_folder(made.data[header.folders_offset :], header.folders_offset)
    assert (folder.data_offset, folder.block_count) == (made.at("block 0.0"), 1)
    at = made.at("file B.TXT")
    file = parse_cabinet_file(made.data[at:], at, 1)
    assert (file.name, file.offset, file.size, file.at) == ("B.TXT", 10, 20, at)


@pytest.mark.parametrize("size", range(36 + 4 + 7 + 13))
def test_a_cut_header_is_refused(size: int) -> None:
    made = make_cabinet(FILES, reserve=(7, 2, 3), previous="one.cab")
    whole = parse_cabinet_header(made.data)
    assert whole.folders_offset == 36 + 4 + 7 + 13
    with pytest.raises(FormatError):
        parse_cabinet_header(made.data[:size])


@pytest.mark.parametrize(
    ("index", "before", "after", "folder"),
    [
        (0xFFFD, True, False, 0),
        (0xFFFE, False, True, 2),
        (0xFFFF, True, True, 0),
        (1, False, False, 1),
    ],
)
def test_files_that_span_cabinets(index: int, before: bool, after: bool, folder: int) -> None:
    record = struct.pack("<IIHHHH", 1, 0, index, 0, 0, 0) + b"A\0"
    file = parse_cabinet_file(record, 0, 3)
    assert (file.continues_before, file.continues_after, file.folder_index) == (
        before,
        after,
        folder,
    )


@pytest.mark.parametrize(
    "record",
    [
        struct.pack("<IIHHHH", 1, 0, 3, 0, 0, 0) + b"A\0",
        struct.pack("<IIHHHH", 1, 0, 0, 0, 0, 0) + b"A" * 300,
        struct.pack("<IIHHHH", 1, 0, 0, 0, 0, 0),
        bytes(15),
    ],
)
def test_impossible_file_records_are_refused(record: bytes) -> None:
    with pytest.raises(FormatError):
        parse_cabinet_file(record, 0, 3)


@pytest.mark.parametrize(("stored", "expanded"), [(38_913, 1), (1, 32_769)])
def test_impossible_data_blocks_are_refused(stored: int, expanded: int) -> None:
    with pytest.raises(FormatError):
        parse_data_block(struct.pack("<IHH", 0, stored, expanded), 0)
    assert parse_data_block(struct.pack("<IHH", 0, 38_912, 32_768), 0).stored_size == 38_912
