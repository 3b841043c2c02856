"""Cabinets in several parts: opened with the first, in whatever they are wrapped."""

from __future__ import annotations

import struct
from collections.abc import Iterator
from pathlib import Path

import pytest

from cabinet_parts import (
    CUTS,
    FILES,
    LAST,
    LONG,
    NAMES,
    content,
    known_and_lost,
    parts_of,
    put,
    refusal,
)
from make_cabinet_sets import split_cabinet
from make_files import MSZIP, STORED, cabinet_checksum, make_cabinet
from make_wrappings import behind_program, make_lzx, make_zip
from mediashelf.errors import FormatError
from mediashelf.formats.packed.cabinets.joined import JoinedCabinet
from mediashelf.trees.bytes import Start
from mediashelf.trees.inside import iter_trees
from mediashelf.trees.joined import cabinets
from mediashelf.trees.members import TreeMember
from mediashelf.trees.opening import open_tree
from mediashelf.trees.tree import Tree
from mediashelf.trees.zips.archive import ZipTree

pytest.importorskip("libarchive")
"""The driver begins in the first of three parts and ends in the last."""


@pytest.mark.parametrize("compression", [MSZIP, STORED])
@pytest.mark.parametrize(
    "cuts",
    [CUTS, (60_000,), (10, 20), (32_768 + 7, 32_768 * 2), (180_000,)],
    ids=["three parts", "two", "a block in three", "between blocks", "near the end"],
)
def test_a_set_is_read_as_one_cabinet(
    tmp_path: Path, cuts: tuple[int, ...], compression: int
) -> None:
    put(tmp_path, parts_of(cuts, compression))
    assert content(tmp_path / NAMES[0]) == FILES


def test_a_set_of_lzx_is_read(tmp_path: Path) -> None:
    put(tmp_path, split_cabinet(make_lzx(LONG), CUTS, NAMES))
    assert content(tmp_path / NAMES[0]) == LONG


def test_a_set_in_an_archive_and_behind_a_program(tmp_path: Path) -> None:
    parts = parts_of()
    packed = {f"LAN/{name.upper()}": data for name, data in parts.items()}
    (tmp_path / "all.zip").write_bytes(make_zip(packed))
    with open_tree(tmp_path / "all.zip") as whole:
        found = [one for one in iter_trees(whole) if one is not whole]
    assert [one.where.rpartition("/")[2] for one in found] == ["LAN1.CAB"]
    put(tmp_path, {"setup.exe": behind_program(parts[NAMES[0]])})
    put(tmp_path, {name: parts[name] for name in NAMES[1:]})
    assert content(tmp_path / "setup.exe") == FILES


def test_a_later_part_names_the_first(tmp_path: Path) -> None:
    put(tmp_path, parts_of())
    assert refusal(tmp_path / NAMES[2]).endswith(
        "lan3.cab: is part 3 of a cabinet in several files; open lan1.cab"
    )
    with open_tree(tmp_path) as whole:
        found = [one.where for one in iter_trees(whole) if one is not whole]
    assert found == [str(tmp_path / NAMES[0])]


def test_of_a_cabinet_with_one_folder_by_quantum_the_others_are_opened(tmp_path: Path) -> None:
    made = make_cabinet([{"A.SYS": b"driver" * 99}, {"B.SYS": b"other" * 99}])
    data = bytearray(made.data)
    struct.pack_into("<H", data, made.at("folder 0") + 6, 2 | 7 << 4 | 20 << 8)
    (tmp_path / "mixed.cab").write_bytes(data)
    whole, lost, said = known_and_lost(tmp_path / "mixed.cab")
    assert whole == {"B.SYS": b"other" * 99}
    assert lost == {"A.SYS": "it is compressed by Quantum, which cannot be opened here"}
    assert said == []


def test_later_parts_in_an_archive_are_not_expanded_again_and_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    whole = make_cabinet([LONG, LAST], compression=STORED).data
    names = tuple(f"lan{number:02}.cab" for number in range(1, 21))
    cuts = tuple(12_000 * number for number in range(1, 20))
    (tmp_path / "all.zip").write_bytes(make_zip(split_cabinet(whole, cuts, names)))
    streamed = []
    stream = ZipTree._stream

    def counted(tree: ZipTree, member: TreeMember) -> Iterator[bytes]:
        streamed.append(member.name)
        return stream(tree, member)

    monkeypatch.setattr(ZipTree, "_stream", counted)
    with open_tree(tmp_path / "all.zip") as top:
        found = [one for one in iter_trees(top) if one is not top]
    assert len(found) == 1
    assert isinstance(found[0], Tree)
    assert len(streamed) <= 4 * len(names)


def test_parts_may_be_counted_from_one(tmp_path: Path) -> None:
    whole = make_cabinet([LONG], compression=MSZIP).data
    put(tmp_path, split_cabinet(whole, CUTS, NAMES, first_index=1))
    assert content(tmp_path / NAMES[0]) == LONG
    assert "is part 2 of a cabinet" in refusal(tmp_path / NAMES[1])


def test_folders_of_the_same_data_give_no_more_than_the_part_has(tmp_path: Path) -> None:
    """Hostile: many folders that point to one run of data would make a set of any size."""
    parts = parts_of((50_000,), STORED)
    first = parts[NAMES[0]]
    name = b"lan2.cab\0Setup disk\0"
    table = 36 + len(name)
    record, rest = first[table : table + 8], first[table + 8 :]
    at, blocks, kind = struct.unpack("<IHH", record)
    folders = b"".join(struct.pack("<IHH", at + 8 * 9, blocks - 1, kind) for _ in range(9))
    record = struct.pack("<IHH", at + 8 * 9, blocks, kind)
    data = bytearray(first[:table] + folders + record + rest)
    struct.pack_into("<I", data, 8, len(data))
    struct.pack_into("<I", data, 16, table + 8 * 10)
    struct.pack_into("<H", data, 26, 10)
    put(tmp_path, parts | {NAMES[0]: bytes(data)})
    blocks = []
    with pytest.raises(FormatError, match="length of the data block"):
        blocks += JoinedCabinet().add(Start(data, len(data)), NAMES[0])
    assert sum(map(len, blocks)) <= len(data)
    _, lost, (words,) = known_and_lost(tmp_path / NAMES[0])
    assert list(lost) == ["TLAN.SYS", "README.TXT"]
    assert "length of the data block" in words


def test_a_set_of_too_many_parts_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    put(tmp_path, parts_of())
    monkeypatch.setattr(cabinets, "MOST_CABINETS", 3)
    assert content(tmp_path / NAMES[0]) == FILES
    monkeypatch.setattr(cabinets, "MOST_CABINETS", 2)
    assert "is a cabinet in more than 2 files" in refusal(tmp_path / NAMES[0])


def test_a_name_that_is_a_path_is_not_followed(tmp_path: Path) -> None:
    parts = parts_of()
    folder = put(tmp_path / "d", {NAMES[0]: parts[NAMES[0]].replace(b"lan2.cab", b"../2.cab")})
    put(tmp_path, {"2.cab": parts[NAMES[1]]})
    _, lost, said = known_and_lost(folder / NAMES[0])
    assert list(lost) == ["TLAN.SYS"]
    assert said[0].startswith("../2.cab of this cabinet in several files is not beside it")


def test_blocks_without_checksums_are_read(tmp_path: Path) -> None:
    parts = parts_of((50_000,))
    data = bytearray(parts[NAMES[1]])
    at, blocks = struct.unpack_from("<IH", data, 36 + len(b"lan1.cab\0Setup disk\0"))
    for _ in range(blocks):
        stored, _size = struct.unpack_from("<HH", data, at + 4)
        assert cabinet_checksum(data[at + 8 : at + 8 + stored])
        struct.pack_into("<I", data, at, 0)
        at += 8 + stored
    put(tmp_path, parts | {NAMES[1]: bytes(data)})
    assert content(tmp_path / NAMES[0]) == FILES
