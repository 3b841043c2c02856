"""Volumes of FAT12 and FAT16: folders, long names, disks without parameters, damage."""

from __future__ import annotations

import hashlib
import random
from pathlib import Path

import pytest

from build_trees import DATE
from make_fat import DISKS, make_fat
from mediashelf.errors import InputError
from mediashelf.findings import Severity
from mediashelf.trees.opening import open_tree
from outside_readers import sleuth_kit_tree

FILES = {
    "README.TXT": b"Quillon audio",
    "DRIVER/WIN9X/QUILLON.INF": b"[Version]\r\n" * 300,
    "DRIVER/WIN9X/QUILLON.DRV": random.Random(3).randbytes(60_000),
    "DRIVER/EMPTY.DAT": b"",
}
LONG = {"QUILLON.INF": "Quillon Audio für DOS.inf", "WIN9X": "Windows-family 9x"}


def opened(folder: Path, data: bytes) -> dict[str, bytes]:
    path = folder / "disk.img"
    path.write_bytes(data)
    with open_tree(path) as tree:
        assert tree.form == "floppy image"
        assert {one.modified for one in tree.members} == {DATE}
        return {one.path: b"".join(tree.stream(one)) for one in tree.members if one.is_file}


@pytest.mark.parametrize("size", sorted(DISKS))
def test_every_size_of_disk_is_read(tmp_path: Path, size: int) -> None:
    assert opened(tmp_path, make_fat(FILES, size=size)) == FILES


def test_an_image_that_is_shorter_than_its_volume_is_named(tmp_path: Path) -> None:
    path = tmp_path / "disk.img"
    for length, is_named in ((1_474_560, False), (900_000, True)):
        path.write_bytes(make_fat(FILES)[:length])
        with open_tree(path) as tree:
            assert [one.rule for one in tree.findings] == ["end-unclear"] * is_named
            assert {one.path for one in tree.members if one.is_file} == set(FILES)
            words = [one.message for one in tree.findings]
    assert words == ["the image has 900,000 bytes, its volume 1,474,560"]


@pytest.mark.parametrize("size", [163_840, 184_320, 327_680, 368_640])
def test_a_disk_without_parameters_is_known_by_its_size(tmp_path: Path, size: int) -> None:
    assert opened(tmp_path, make_fat(FILES, size=size, parameters=False)) == FILES


@pytest.mark.parametrize("size", [1_474_560, 16_777_216])
def test_an_independent_reader_sees_the_same(tmp_path: Path, size: int) -> None:
    found = opened(tmp_path, make_fat(FILES, size=size, long_names=LONG))
    assert set(found) == {
        "README.TXT",
        "DRIVER/Windows-family 9x/Quillon Audio für DOS.inf",
        "DRIVER/Windows-family 9x/QUILLON.DRV",
        "DRIVER/EMPTY.DAT",
    }
    other = sleuth_kit_tree(tmp_path / "disk.img")
    assert {path: digest for path, digest in other.items() if digest and "$" not in path} == {
        f"/{path}": hashlib.sha256(data).hexdigest() for path, data in found.items()
    }


def test_a_long_name_of_another_entry_is_not_taken(tmp_path: Path) -> None:
    data = bytearray(make_fat(FILES, long_names={"README.TXT": "Read me first.txt"}))
    data[data.index(b"README  TXT")] = ord("H")
    assert "HEADME.TXT" in opened(tmp_path, bytes(data))


def test_a_chain_that_ends_early_is_an_error(tmp_path: Path) -> None:
    data = bytearray(make_fat(FILES))
    at = data.index(b"QUILLON DRV") + 28
    data[at : at + 4] = (200_000).to_bytes(4, "little")
    path = tmp_path / "disk.img"
    path.write_bytes(data)
    with open_tree(path) as tree:
        member = tree.find(("DRIVER", "WIN9X", "QUILLON.DRV"))
        assert member is not None
        with pytest.raises(InputError, match=r"ends at byte 60,\d+ of 200,000"):
            list(tree.stream(member))


def test_a_folder_inside_itself_is_not_followed(tmp_path: Path) -> None:
    data = bytearray(make_fat(FILES))
    outer = data.index(b"DRIVER  ") + 26
    inner = data.index(b"WIN9X   ") + 26
    data[inner : inner + 2] = data[outer : outer + 2]
    path = tmp_path / "disk.img"
    path.write_bytes(data)
    with open_tree(path) as tree:
        assert [one.rule for one in tree.findings] == ["listing-incomplete"]
        assert "listed twice" in tree.findings[0].message


@pytest.mark.parametrize("size", sorted(DISKS))
def test_file_allocation_tables_that_differ_are_named(tmp_path: Path, size: int) -> None:
    """The second is a copy of the first (from memory); neither has a checksum."""
    data = make_fat(FILES, size=size)
    per_table = DISKS[size][1] * 512
    path = tmp_path / "disk.img"

    def rules(changed: bytes) -> list[str]:
        path.write_bytes(changed)
        with open_tree(path) as tree:
            assert {one.severity for one in tree.findings} <= {Severity.NOTE}
            return [one.rule for one in tree.findings]

    assert rules(data) == []
    for at in (512 + 9, 512 + per_table + 9):
        changed = bytearray(data)
        changed[at] ^= 0x10
        assert rules(bytes(changed)) == ["file-tables-agree"]
    # What follows the last cluster in a table stands for none, and what is before the first.
    per_cluster, _, top_entries, _ = DISKS[size]
    data_start = 512 + 2 * per_table + top_entries * 32
    count = (size - -(-data_start // 512) * 512) // (per_cluster * 512)
    after_last = (count + 2) * (16 if size > 4_000_000 else 12)
    for at, bit in ((per_table - 1, 0x10), (0, 0x08), (after_last // 8, 0x80)):
        other = bytearray(data)
        other[512 + per_table + at] ^= bit
        assert rules(bytes(other)) == []
