"""Cabinets: each damage beside its control, and libarchive's word on the same bytes.

Header, folder and file records: cabinet text of 1997. Data blocks and their checksum: from
memory; libarchive reads what is made here and refuses the same damage. Severities and
names in messages: own behaviour.
"""

from __future__ import annotations

import random
import struct
import zlib

import pytest

from file_checks import faults, rules, tally
from make_files import LZX, MSZIP, QUANTUM, STORED, cabinet_checksum, make_cabinet
from make_image import flip, put
from mediashelf.integrity.inside.selfchecks.cabinets import iter_cabinet_faults

libarchive = pytest.importorskip("libarchive", reason="libarchive is not there")

NOISE = random.Random(7).randbytes(50_000)
FOLDERS = [
    {"TIDE.TXT": b"high water " * 6000, "CHART.BIN": NOISE},
    {"LAST.SYS": b"\x90" * 700},
]


def read_with_libarchive(data: bytes) -> dict[str, bytes]:
    found = {}
    with libarchive.memory_reader(data, format_name="cab") as archive:
        for entry in archive:
            found[entry.pathname] = b"".join(entry.get_blocks())
    return found


@pytest.mark.parametrize("compression", [STORED, MSZIP])
@pytest.mark.parametrize("reserve", [None, (0, 0, 0), (20, 3, 5)])
def test_libarchive_reads_what_we_find_sound(
    compression: int, reserve: tuple[int, int, int] | None
) -> None:
    made = make_cabinet(FOLDERS, compression=compression, reserve=reserve)
    expected = {name: data for folder in FOLDERS for name, data in folder.items()}
    assert read_with_libarchive(made.data) == expected
    counted = tally(iter_cabinet_faults, made.data)
    assert counted.verified["data block checksums"] == 5
    assert counted.verified["data blocks expanded"] == (5 if compression == MSZIP else 0)
    assert not counted.unverified


@pytest.mark.parametrize("compression", [STORED, MSZIP])
def test_libarchive_refuses_the_blocks_that_we_find_damaged(compression: int) -> None:
    made = make_cabinet(FOLDERS, compression=compression)
    for place in ("data 0.0", "data 0.3", "data 1.0"):
        damaged = flip(made.data, made.at(place) + 10)
        with pytest.raises(libarchive.ArchiveError):
            read_with_libarchive(damaged)
        (fault,) = faults(iter_cabinet_faults, damaged)
        assert fault.rule == "cabinet-checksums-agree"
        assert fault.offset <= made.at(place) + 10 < fault.offset + fault.size


def test_damage_names_the_files_it_hits() -> None:
    made = make_cabinet(FOLDERS)
    (fault,) = faults(iter_cabinet_faults, flip(made.data, made.at("data 0.2") + 5))
    assert "TIDE.TXT, CHART.BIN" in fault.message
    assert fault.offset == made.at("block 0.2")
    assert fault.size == made.at("block 0.3") - made.at("block 0.2")
    (fault,) = faults(iter_cabinet_faults, flip(made.data, made.at("data 1.0")))
    assert fault.message.endswith("hit: LAST.SYS")


def test_neighbouring_bad_blocks_are_one_fault() -> None:
    made = make_cabinet(FOLDERS)
    damaged = made.data
    for place in ("data 0.0", "data 0.1", "data 0.3"):
        damaged = flip(damaged, made.at(place))
    found = faults(iter_cabinet_faults, damaged)
    assert [fault.offset for fault in found] == [made.at("block 0.0"), made.at("block 0.3")]
    assert "data blocks 0 to 1 of folder 0" in found[0].message


def test_after_a_bad_block_the_rest_is_not_expanded_but_summed() -> None:
    made = make_cabinet(FOLDERS, compression=MSZIP)
    damaged = flip(flip(made.data, made.at("data 0.0") + 9), made.at("data 0.3") + 9)
    assert len(faults(iter_cabinet_faults, damaged)) == 2


def _resummed(data: bytes, at: int) -> bytes:
    """The checksum of the data block at ``at`` made right again."""
    size = struct.unpack_from("<H", data, at + 4)[0]
    stored = data[at + 8 : at + 8 + size]
    checksum = cabinet_checksum(data[at + 4 : at + 8], cabinet_checksum(stored))
    return put(data, at, struct.pack("<I", checksum))


def test_mszip_blocks_begin_with_their_signature() -> None:
    made = make_cabinet(FOLDERS, compression=MSZIP)
    damaged = _resummed(flip(made.data, made.at("data 0.1")), made.at("block 0.1"))
    (fault,) = faults(iter_cabinet_faults, damaged)
    assert fault.rule == "cabinet-data-expands"
    assert "expected b'CK'" in fault.message


def test_mszip_blocks_expand_to_their_size() -> None:
    made = make_cabinet(FOLDERS, compression=MSZIP)
    at = made.at("block 1.0")
    damaged = _resummed(put(made.data, at + 6, struct.pack("<H", 701)), at)
    assert [fault.message for fault in faults(iter_cabinet_faults, damaged)] == [
        "data block 0 of folder 1 expands to 700 bytes, expected 701; it holds LAST.SYS"
    ]


def test_mszip_needs_the_block_before() -> None:
    """A block that refers to bytes of the one before expands only with them."""
    made = make_cabinet([{"A": NOISE[:32768] + NOISE[20000:32768]}], compression=MSZIP)
    assert made.at("data 0.1") + 13_000 > len(made.data)  # it does refer to them
    assert tally(iter_cabinet_faults, made.data).verified["data blocks expanded"] == 2


def test_stored_blocks_have_their_size() -> None:
    made = make_cabinet(FOLDERS)
    at = made.at("block 1.0")
    damaged = _resummed(put(made.data, at + 6, struct.pack("<H", 701)), at)
    assert rules(iter_cabinet_faults, damaged) == {"cabinet-data-expands"}


@pytest.mark.parametrize(("compression", "name"), [(LZX, "LZX"), (QUANTUM, "Quantum")])
def test_other_compressions_are_summed_and_said_to_be_no_more(compression: int, name: str) -> None:
    made = make_cabinet(FOLDERS, compression=compression)
    counted = tally(iter_cabinet_faults, made.data)
    assert counted.verified == {"data block checksums": 5}
    ((words, count),) = counted.unverified.items()
    assert name in words
    assert count == 5
    assert rules(iter_cabinet_faults, flip(made.data, made.at("data 0.0"))) == {
        "cabinet-checksums-agree"
    }


def test_blocks_without_a_checksum_are_said_to_be_unverified() -> None:
    made = make_cabinet(FOLDERS, checksums=False)
    assert tally(iter_cabinet_faults, made.data).unverified == {"data blocks without a checksum": 5}


def test_a_folder_that_began_in_another_cabinet_is_not_expanded() -> None:
    made = make_cabinet(
        [{"A": b"a" * 40_000}], compression=MSZIP, previous="1.cab", folder_index=0xFFFD
    )
    counted = tally(iter_cabinet_faults, made.data)
    assert counted.verified == {"data block checksums": 2}
    assert counted.unverified == {"MSZIP data blocks: checksum only": 2}


def test_a_folder_that_goes_on_in_another_cabinet_is_expanded_but_for_its_last_block() -> None:
    made = make_cabinet(
        [{"A": b"a" * 40_000}], compression=MSZIP, following="3.cab", folder_index=0xFFFE
    )
    counted = tally(iter_cabinet_faults, made.data)
    assert counted.verified == {"data block checksums": 2, "data blocks expanded": 1}


@pytest.mark.parametrize("compression", [STORED, MSZIP])
@pytest.mark.parametrize("folder_index", [0xFFFD, 0xFFFF])
def test_offsets_of_a_folder_that_began_in_another_cabinet_count_from_there(
    compression: int, folder_index: int
) -> None:
    """FFFD and FFFF continue a folder: cabinet text of 1997, CFFILE, folder index.

    That offsets count in the whole folder, and so beyond what is here: from memory.
    """
    made = make_cabinet(
        [{"A": b"a" * 40_000, "B": b"b" * 100}],
        compression=compression,
        previous="1.cab",
        folder_index=folder_index,
    )
    for name in "AB":
        at = made.at(f"file {name}") + 4
        data = put(made.data, at, struct.pack("<I", 900_000))
        assert faults(iter_cabinet_faults, data) == []
        # In a folder that begins here the same offset is beyond its end.
        alone = make_cabinet([{"A": b"a" * 40_000, "B": b"b" * 100}], compression=compression)
        data = put(alone.data, alone.at(f"file {name}") + 4, struct.pack("<I", 900_000))
        assert rules(iter_cabinet_faults, data) == {"cabinet-structure-holds"}


def test_the_first_stored_block_may_be_the_rest_of_one_in_the_cabinet_before() -> None:
    """A block cut in two has the size of the whole in its second part: from memory."""
    for index, expected in ((0xFFFD, set()), (0xFFFF, set()), (0, {"cabinet-data-expands"})):
        made = make_cabinet([{"A": b"a" * 20_000}], previous="1.cab", folder_index=index)
        at = made.at("block 0.0")
        head = struct.pack("<HH", 20_000, 32_768)
        checksum = cabinet_checksum(head, cabinet_checksum(made.data[at + 8 :]))
        data = put(made.data, at, struct.pack("<I", checksum) + head)
        assert rules(iter_cabinet_faults, data) == expected


@pytest.mark.parametrize("compression", [STORED, MSZIP])
def test_every_truncation_is_found(compression: int) -> None:
    made = make_cabinet(
        [{"A.TXT": b"some text " * 20}, {"B.TXT": b"more"}], compression=compression
    )
    assert faults(iter_cabinet_faults, made.data) == []
    for size in range(8, len(made.data)):
        assert faults(iter_cabinet_faults, made.data[:size]), size


@pytest.mark.parametrize("compression", [STORED, MSZIP])
def test_every_flip_is_found_but_those_of_dates_and_names(compression: int) -> None:
    made = make_cabinet(
        [{"A.TXT": b"some text " * 20}, {"B.TXT": b"more"}], compression=compression
    )
    missed = [
        at
        for at in range(8, len(made.data))
        if not faults(iter_cabinet_faults, flip(made.data, at))
    ]
    # Reserved fields, minor version, set and position in it, flags that only mean neighbours.
    harmless = {*range(12, 16), *range(20, 25), *range(32, 36)}
    for name in ("A.TXT", "B.TXT"):
        at = made.at(f"file {name}")
        # Size made smaller; date, time, attributes, name and the zero behind it.
        harmless |= {at, *range(at + 10, at + 17 + len(name))}
    # The high byte of a folder's type holds parameters of LZX and Quantum.
    harmless |= {made.at("folder 0") + 7, made.at("folder 1") + 7}
    assert set(missed) <= harmless, sorted(set(missed) - harmless)


def test_an_unknown_compression_is_a_fault() -> None:
    assert rules(iter_cabinet_faults, make_cabinet(FOLDERS, compression=9).data) == {
        "cabinet-structure-holds"
    }


def test_folders_that_share_data_are_refused_and_walked_once() -> None:
    made = make_cabinet(FOLDERS)
    same = made.data[made.at("folder 0") : made.at("folder 0") + 4]
    found = faults(iter_cabinet_faults, put(made.data, made.at("folder 1"), same))
    assert any("data of another folder" in fault.found for fault in found)


def test_a_file_beyond_its_folder() -> None:
    made = make_cabinet(FOLDERS)
    at = made.at("file LAST.SYS")
    (fault,) = faults(iter_cabinet_faults, put(made.data, at, struct.pack("<I", 701)))
    assert (fault.offset, fault.found, fault.expected) == (at, "700", "701")


def test_archives_inside_are_counted() -> None:
    inner = make_cabinet([{"X": b"x"}]).data
    for compression in (STORED, MSZIP):
        made = make_cabinet([{"A": b"a" * 40_000, "IN.CAB": inner}], compression=compression)
        assert tally(iter_cabinet_faults, made.data).nested_archives == 1


def test_a_bomb_expands_no_further_than_its_blocks_may() -> None:
    """A block may hold 32 KiB; one that holds a thousand times more is stopped there."""
    deflater = zlib.compressobj(9, zlib.DEFLATED, -15)
    bomb = b"CK" + deflater.compress(bytes(30 << 20)) + deflater.flush()
    made = make_cabinet([{"A": bytes(len(bomb))}])
    at = made.at("block 0.0")
    data = put(made.data, made.at("folder 0") + 6, b"\1\0")
    data = put(data, at + 4, struct.pack("<HH", len(bomb), 32768)) + b""
    data = _resummed(put(data, at + 8, bomb), at)
    assert "expands to 32,769 bytes" in faults(iter_cabinet_faults, data)[0].message


def test_a_folder_may_have_its_data_before_those_of_an_earlier_one() -> None:
    """The folders' data offsets are free (cabinet text of 1997, CFFOLDER): own behaviour."""
    made = make_cabinet([{"A": b"a" * 500}, {"B": b"b" * 500}])
    first, second = made.at("folder 0"), made.at("folder 1")
    data = put(made.data, first, made.data[second : second + 4])
    data = put(data, second, made.data[first : first + 4])
    assert faults(iter_cabinet_faults, data) == []


def test_a_cabinet_without_folders_has_no_data_to_end() -> None:
    made = make_cabinet([])
    assert faults(iter_cabinet_faults, made.data) == []
    data = put(made.data, 8, struct.pack("<I", len(made.data) + 1))
    (fault,) = faults(iter_cabinet_faults, data)
    assert (fault.offset, fault.expected) == (8, f"0 to {len(made.data)}")


def test_a_cut_block_is_told_from_its_header_to_the_end_of_the_file() -> None:
    made = make_cabinet([{"A": b"a" * 500}])
    at = made.at("block 0.0")
    cut, _size = faults(iter_cabinet_faults, made.data[:-100])
    assert (cut.offset, cut.size) == (at, len(made.data) - 100 - at)
    assert "cut or lost: A" in cut.message


def test_files_that_are_not_archives_are_not_counted_as_such() -> None:
    assert tally(iter_cabinet_faults, make_cabinet(FOLDERS).data).nested_archives == 0
