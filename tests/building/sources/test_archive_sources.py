"""ZIP archives as sources: the disc is that of the folder, whatever the names."""

from __future__ import annotations

import random
import struct
import time
import zipfile
import zlib
from pathlib import Path

import pytest

from archive_plans import FILES, MIB, found, paths, planned
from build_trees import DATE, write_tree, write_zip
from make_fat import make_fat
from make_image import put
from mediashelf.building.planning.disc_plan import plan_disc
from mediashelf.building.recipes.source_names import recipe_from_folders
from mediashelf.building.sources.reading import read_start
from mediashelf.building.writing.write import build_disc
from mediashelf.errors import BlockedError, OutputError
from mediashelf.findings import Severity
from mediashelf.formats.volume import VolumeKind
from mediashelf.image import open_image

# Windows has no such function, and no program there changes its zone by itself.
use_time_zone = getattr(time, "tzset", lambda: None)


@pytest.mark.parametrize("method", [zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED])
def test_an_archive_gives_the_disc_that_its_folder_gives(tmp_path: Path, method: int) -> None:
    folder = write_tree(tmp_path / "top", FILES)
    archive = write_zip(tmp_path / "top.zip", FILES, method=method)
    build_disc(plan_disc(recipe_from_folders([folder])), tmp_path / "folder.iso")
    built = build_disc(plan_disc(recipe_from_folders([archive])), tmp_path / "archive.iso")
    assert (tmp_path / "folder.iso").read_bytes() == (tmp_path / "archive.iso").read_bytes()
    assert built.plan.file_count == 6
    # Nothing was unpacked beside it.
    assert sorted(path.name for path in tmp_path.iterdir()) == [
        "archive.iso",
        "folder.iso",
        "top",
        "top.zip",
    ]


def test_the_order_and_the_name_of_an_archive_do_not_matter(tmp_path: Path) -> None:
    pairs = list(FILES.items())
    one = write_zip(tmp_path / "one.zip", pairs)
    two = write_zip(tmp_path / "two.zip", pairs[::-1], method=zipfile.ZIP_STORED)
    for path in (one, two):
        plan = plan_disc(recipe_from_folders([path], label="SAME"))
        build_disc(plan, path.with_suffix(".iso"))
    assert (tmp_path / "one.iso").read_bytes() == (tmp_path / "two.iso").read_bytes()


def test_several_archives_keep_their_names_without_the_suffix(tmp_path: Path) -> None:
    one = write_zip(tmp_path / "Larkspur 3.ZIP", {"a": b"a"})
    two = write_zip(tmp_path / "tools.zip", {"b": b"b"})
    recipe = recipe_from_folders([one, two])
    assert [source.to for source in recipe.folders] == [("Larkspur 3",), ("tools",)]
    assert recipe.label == "Larkspur 3"
    assert paths(plan_disc(recipe)) == ["/INDEX.TXT", "/Larkspur 3/a", "/tools/b"]


def test_an_archive_behind_a_program_is_read_in_place(tmp_path: Path) -> None:
    inner = write_zip(tmp_path / "inner.zip", {"SETUP.INF": b"inf"})
    program = tmp_path / "driver.exe"
    program.write_bytes(b"MZ" + bytes(5000) + inner.read_bytes())
    plan = planned(program)
    assert paths(plan) == ["/SETUP.INF"]
    build_disc(plan, tmp_path / "disc.iso")


def test_members_keep_their_dates(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TZ", "Pacific/Chatham")  # a DOS date has no zone: ours must not matter
    use_time_zone()
    try:
        times = struct.pack("<HHBi", 0x5455, 5, 1, DATE + 1)
        no_date = write_zip(tmp_path / "none.zip", {"NONE": b"n"})
        data = bytearray(no_date.read_bytes())
        at = data.rindex(b"PK\1\2")
        data[at + 12 : at + 16] = bytes(4)
        no_date.write_bytes(data)
        plan = planned(
            write_zip(tmp_path / "plain.zip", {"PLAIN": b"p"}),
            write_zip(tmp_path / "extra.zip", {"EXTRA": b"e"}, extra=times),
            no_date,
        )
    finally:
        monkeypatch.undo()
        use_time_zone()
    assert {file.long_path: file.modified for file in plan.files} == {
        "/PLAIN": DATE,
        "/EXTRA": DATE + 1,
        "/NONE": 315_532_800,
    }


def test_names_are_text_in_either_encoding_and_backslashes_part_folders(tmp_path: Path) -> None:
    archive = write_zip(
        tmp_path / "a.zip",
        [("Türen/ß.txt", b"1"), ("dos\\DRIVERS\\A.SYS", b"2"), ("./x//y.txt", b"3")],
    )
    data = archive.read_bytes()
    assert paths(planned(archive)) == ["/Türen/ß.txt", "/dos/DRIVERS/A.SYS", "/x/y.txt"]
    # As DOS wrote it: code page 437, where 0x81 is ü and 0xE1 is ß.
    old, new = "Türen/ß.txt".encode(), b"T\x81ren/\xe1.text2"
    archive.write_bytes(data.replace(old, new))
    assert paths(planned(archive)) == ["/Türen/ß.text2", "/dos/DRIVERS/A.SYS", "/x/y.txt"]


@pytest.mark.parametrize(
    "name",
    [
        "../evil.txt",
        "a/../../evil.txt",
        "a\\..\\..\\evil.txt",
        "/etc/evil.txt",
        "\\evil.txt",
        "C:\\evil.txt",
        "c:evil.txt",
        "..",
        ".",
        "nul\0.txt",
        "d/" * 100 + "deep.txt",
        "../folder/",
    ],
)
def test_names_that_lead_elsewhere_are_refused(tmp_path: Path, name: str) -> None:
    archive = write_zip(tmp_path / "a.zip", {name: b"evil", "good.txt": b"good"})
    plan = planned(archive)
    assert paths(plan) == ["/good.txt"]
    (finding,) = found(plan, "member-name-unsafe")
    assert finding.severity is Severity.ERROR
    with pytest.raises(BlockedError):
        build_disc(plan, tmp_path / "disc.iso")
    build_disc(plan, tmp_path / "disc.iso", anyway=True)
    assert not list(tmp_path.rglob("evil*"))


def test_a_name_twice_is_the_first_one(tmp_path: Path) -> None:
    pairs = [("same", b"s"), ("other", b"1"), ("same", b"s"), ("other", b"2"), ("./other", b"1")]
    plan = planned(write_zip(tmp_path / "a.zip", pairs))
    assert paths(plan) == ["/other", "/same"]
    twice = [(f.where.rpartition(":")[2], f.severity) for f in found(plan, "same-place-twice")]
    assert twice == [
        ("/other", Severity.ERROR),
        ("/other", Severity.NOTE),
        ("/same", Severity.NOTE),
    ]
    build_disc(plan, tmp_path / "disc.iso", anyway=True)
    with open_image(tmp_path / "disc.iso") as image:
        volume = image.facts.volume(VolumeKind.JOLIET)
        assert volume is not None
        assert image.read_file(volume.entries[0], 9) == b"1"


def test_links_and_devices_in_an_archive_are_left_out(tmp_path: Path) -> None:
    link = write_zip(tmp_path / "link.zip", {"link": b"/etc/passwd"}, mode=0o120777)
    fifo = write_zip(tmp_path / "fifo.zip", {"fifo": b""}, mode=0o010644)
    folder = write_zip(tmp_path / "folder.zip", {"folder": b""}, mode=0o040755)
    plan = planned(link, fifo, folder)
    assert paths(plan) == []
    assert plan.folder_count == 1
    assert len(found(plan, "link-left-out")) == len(found(plan, "special-file-left-out")) == 1


@pytest.mark.parametrize("size", [0, 1, MIB - 1, MIB, MIB + 1, 3 * MIB])
@pytest.mark.parametrize("method", [zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED])
def test_members_of_every_length_arrive_whole(tmp_path: Path, size: int, method: int) -> None:
    data = random.Random(size).randbytes(size // 2) + bytes(size - size // 2)
    archive = write_zip(tmp_path / "a.zip", {"A": data}, method=method)
    build_disc(planned(archive), tmp_path / "disc.iso")
    with open_image(tmp_path / "disc.iso") as image:
        volume = image.facts.volume(VolumeKind.JOLIET)
        assert volume is not None
        assert b"".join(image.iter_file(volume.entries[0])) == data


def test_the_disc_must_not_take_the_place_of_its_archive(tmp_path: Path) -> None:
    archive = write_zip(tmp_path / "a.zip", {"A": b"a"})
    before = archive.read_bytes()
    with pytest.raises(OutputError, match="is made from"):
        build_disc(planned(archive), archive)
    assert archive.read_bytes() == before


def test_the_plan_gives_the_bytes_of_members(tmp_path: Path) -> None:
    folder = write_tree(tmp_path / "top", {"PLAIN.INF": b"plain text"})
    plan = plan_disc(recipe_from_folders([folder, write_zip(tmp_path / "a.zip", FILES)]))
    contents = {file.long_path: file.own for file in plan.sources}

    def read(path: str, limit: int) -> bytes:
        return read_start(contents[path], limit)

    assert read("/top/PLAIN.INF", 5) == b"plain"
    assert read("/a/LKVX3.INF", 100) == b"[Version]\r\n"
    assert read("/a/data/large.bin", 2 * MIB) == FILES["data/large.bin"][: 2 * MIB]
    assert "/INDEX.TXT" not in contents
    assert zlib.crc32(read("/a/data/zeros.bin", 1 << 30)) == zlib.crc32(bytes(300_000))


def test_a_note_about_a_floppy_blocks_no_disc(tmp_path: Path) -> None:
    data = make_fat({"A.TXT": b"a" * 5000}, size=16_777_216)
    data = put(data, 512 * 33 + 9, b"\x55")  # the second table is another
    (tmp_path / "a.img").write_bytes(data)
    plan = planned(tmp_path / "a.img")
    (finding,) = found(plan, "file-tables-agree")
    assert finding.severity is Severity.NOTE
    build_disc(plan, tmp_path / "disc.iso")
    assert (tmp_path / "disc.iso").exists()
