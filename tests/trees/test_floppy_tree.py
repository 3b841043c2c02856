"""Volumes of FAT12 and FAT16: folders, long names, disks without parameters, damage."""

from __future__ import annotations

import hashlib
import random
from pathlib import Path

import pytest

from build_trees import DATE
from byte_views import BytesView
from make_fat import DISKS, make_fat
from mediashelf.errors import InputError
from mediashelf.findings import Severity
from mediashelf.formats.packed.fat import read_fat
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
        # What is now in no folder is in use all the same, and the folder's cluster is in two.
        rules = [one.rule for one in tree.findings]
        assert rules == ["listing-incomplete", "clusters-in-files", "clusters-in-files"]
        assert "listed twice" in tree.findings[0].message


def test_what_follows_a_disk_does_not_make_it_another(tmp_path: Path) -> None:
    data = make_fat(FILES, size=1_474_560)
    assert rules_of(tmp_path / "disk.img", data + bytes(1_474_560)) == []


@pytest.mark.parametrize(("size", "entries"), [(2_949_120, 224), (163_840, 512), (327_680, 512)])
def test_another_usual_length_of_the_top_folder_is_none(
    tmp_path: Path, size: int, entries: int
) -> None:
    # What mkfs.fat 4.2 writes.
    data = make_fat({}, size=size)
    data = data[:17] + entries.to_bytes(2, "little") + data[19:]
    assert rules_of(tmp_path / "disk.img", data) == []


def rules_of(path: Path, data: bytes) -> list[tuple[str, Severity]]:
    path.write_bytes(data)
    with open_tree(path) as tree:
        return [(one.rule, one.severity) for one in tree.findings]


@pytest.mark.parametrize("files", [FILES, {"README.TXT": b"x" * 5000}], ids=["folders", "none"])
@pytest.mark.parametrize("size", sorted(DISKS))
def test_another_length_of_the_top_folder_is_named(
    tmp_path: Path, size: int, files: dict[str, bytes]
) -> None:
    """Microsoft KB Q140418: bytes 17 and 18, and KB Q75131: what disks of a size have there.

    Of FAT16 mkfs.fat 4.2 (tried, 8 to 512 MiB) writes 512 whatever the size.
    """
    sound, path = make_fat(files, size=size), tmp_path / "disk.img"
    assert rules_of(path, sound) == []
    entries = DISKS[size][2]
    for bit in range(12):
        other = entries ^ 1 << bit
        if not other:
            continue  # not a volume
        found = rules_of(path, sound[:17] + other.to_bytes(2, "little") + sound[19:])
        has_usual = (size, other) == (2_949_120, 224)
        assert has_usual != (("top-folder-usual", Severity.NOTE) in found)
        if bit < 4 or size > 2_949_120:  # others may move one folder to the place of the next
            assert (files is FILES) == (("folder-own-entry", Severity.NOTE) in found)


@pytest.mark.parametrize("size", sorted(DISKS))
def test_another_length_of_the_tables_is_named(tmp_path: Path, size: int) -> None:
    """Microsoft KB Q140418: byte 22."""
    sound, path = make_fat(FILES, size=size), tmp_path / "disk.img"
    for bit in range(8):
        other = sound[22] ^ 1 << bit
        data = sound[:22] + bytes([other]) + sound[23:]
        if read_fat(BytesView(data)) is None:
            continue
        named = [rule for rule, _ in rules_of(path, data)]
        assert "file-tables-agree" in named or (not named and opened(tmp_path, data) == FILES)


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
        assert {*rules(bytes(changed))} - {"clusters-in-files"} == {"file-tables-agree"}
    # What follows the last cluster in a table stands for none, and what is before the first.
    per_cluster, _, top_entries, _ = DISKS[size]
    data_start = 512 + 2 * per_table + top_entries * 32
    count = (size - -(-data_start // 512) * 512) // (per_cluster * 512)
    after_last = (count + 2) * (16 if size > 4_000_000 else 12)
    for at, bit in ((per_table - 1, 0x10), (0, 0x08), (after_last // 8, 0x80)):
        other = bytearray(data)
        other[512 + per_table + at] ^= bit
        assert rules(bytes(other)) == []


@pytest.mark.parametrize(
    ("at", "value", "words"),
    [
        (
            "README  TXT",
            b"\xe5",
            "1 cluster is in use and part of no file",
        ),  # as one deleted by damage
        ("DRIVER     ", b"\0", "in use and part of no file"),  # what follows was never written
        ("first", b"\0\0", "in use and part of no file"),
        ("shared", b"\2\0", "1 cluster is part of several files"),
    ],
)
def test_clusters_that_are_in_no_file_or_in_several_are_told(
    tmp_path: Path, at: str, value: bytes, words: str
) -> None:
    """Each cluster in use is part of one file (from memory)."""
    data = make_fat(FILES)
    entry = data.index(at.encode()) if " " in at else data.index(b"QUILLON DRV") + 26
    path = tmp_path / "disk.img"
    assert rules_of(path, data) == []
    assert rules_of(path, data[:entry] + value + data[entry + len(value) :])
    with open_tree(path) as tree:
        told = [one for one in tree.findings if one.rule == "clusters-in-files"]
    assert any(words in one.message for one in told)
    assert {one.severity for one in told} == {Severity.NOTE}


def test_clusters_that_are_bad_or_free_are_not_in_use(tmp_path: Path) -> None:
    data = bytearray(make_fat(FILES))
    for table in (512, 512 * 10):  # 2,000 is even: the lower 12 bits of its two bytes
        data[table + 3000 : table + 3002] = b"\xf7\x0f"
    assert rules_of(tmp_path / "disk.img", bytes(data)) == []
