"""ZIP archives as sources: the tables of wrapped.py, row by row."""

from __future__ import annotations

import io
import os
import random
import struct
import time
import tracemalloc
import zipfile
import zlib
from collections.abc import Callable
from functools import partial
from pathlib import Path

import pytest

from build_trees import DATE, write_tree, write_zip
from make_fat import make_fat
from make_image import flip, put
from mediashelf.building.planning.disc_plan import DiscPlan, plan_disc
from mediashelf.building.recipes.recipe import Recipe, SourceFolder
from mediashelf.building.recipes.source_names import recipe_from_folders
from mediashelf.building.sources import wrapped
from mediashelf.building.sources.reading import read_start
from mediashelf.building.writing.write import build_disc
from mediashelf.errors import BlockedError, BuildError, InputError, OutputError
from mediashelf.findings import Finding, Severity
from mediashelf.formats.volume import VolumeKind
from mediashelf.image import open_image
from mediashelf.trees.members import Bounds
from mediashelf.trees.opening import open_tree

MIB = 1 << 20
# Windows has no such function, and no program there changes its zone by itself.
use_time_zone = getattr(time, "tzset", lambda: None)
FILES = {
    "LKVX3.INF": b"[Version]\r\n",
    "data/large.bin": random.Random(3).randbytes(2 * MIB + 5),
    "data/zeros.bin": bytes(300_000),
    "data/copy.bin": bytes(300_000),
    "data/empty.txt": b"",
    "empty/": b"",
}


def planned(*sources: Path, **options: object) -> DiscPlan:
    folders = tuple(SourceFolder(path, **options) for path in sources)  # type: ignore[arg-type]
    return plan_disc(Recipe("Z", folders, index=False))


def paths(plan: DiscPlan) -> list[str]:
    return [file.long_path for file in plan.files]


def found(plan: DiscPlan, rule: str) -> list[Finding]:
    return [finding for finding in plan.findings if finding.rule == rule]


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


def changed(archive: Path, place: Callable[[bytes], int], new: bytes) -> None:
    data = archive.read_bytes()
    archive.write_bytes(put(data, place(data), new))


def central(offset: int) -> Callable[[bytes], int]:
    return lambda data: data.rindex(b"PK\1\2") + offset


def local(offset: int) -> Callable[[bytes], int]:
    return lambda data: data.index(b"PK\3\4") + offset


@pytest.mark.parametrize(
    ("place", "new", "rule"),
    [
        (central(8), b"\1\0", "member-unreadable"),  # encrypted
        (central(10), b"\6\0", "member-unreadable"),  # imploded
        (central(10), b"\x63\0", "member-unreadable"),  # no known method
        (central(24), struct.pack("<I", 0x7FFFFFFF), "member-size-impossible"),
        (central(20), struct.pack("<I", 0x00FFFFFF), "members-overlap"),  # into the directory
    ],
)
def test_members_that_cannot_be_used_are_refused(
    tmp_path: Path, place: Callable[[bytes], int], new: bytes, rule: str
) -> None:
    archive = write_zip(tmp_path / "a.zip", {"A.SYS": b"driver " * 100})
    assert found(planned(archive), rule) == []  # the control
    changed(archive, place, new)
    plan = planned(archive)
    assert [finding.severity for finding in found(plan, rule)] == [Severity.ERROR]
    assert paths(plan) == []
    assert found(planned(archive, skip=("*.sys",)), rule) == []


def test_a_stored_member_has_one_size(tmp_path: Path) -> None:
    archive = write_zip(tmp_path / "a.zip", {"A": b"a" * 50}, method=zipfile.ZIP_STORED)
    changed(archive, central(24), struct.pack("<I", 49))
    assert len(found(planned(archive), "member-size-impossible")) == 1


def bomb(size: int, *, promised: int | None = None) -> bytes:
    """An archive of one member of ``size`` zeros, which promises ``promised`` bytes."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED, compresslevel=9) as archive:
        archive.writestr(zipfile.ZipInfo("BOMB"), bytes(size), zipfile.ZIP_DEFLATED)
    data = out.getvalue()
    if promised is not None:
        data = put(data, data.rindex(b"PK\1\2") + 24, struct.pack("<I", promised))
    return data


def test_honest_zeros_pass_up_to_the_allowance(tmp_path: Path) -> None:
    """A floppy image of zeros is no bomb, although it shrinks a thousandfold."""
    (tmp_path / "a.zip").write_bytes(bomb(1_474_560))
    build_disc(planned(tmp_path / "a.zip"), tmp_path / "disc.iso")
    assert (tmp_path / "disc.iso").stat().st_size > 1_474_560


def test_an_archive_that_expands_too_far_is_left_out(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    bounds = Bounds(least_bytes=1_000_000)
    monkeypatch.setattr(wrapped, "open_tree", partial(open_tree, bounds=bounds))
    (tmp_path / "a.zip").write_bytes(bomb(1_000_001))
    (finding,) = found(planned(tmp_path / "a.zip"), "archive-expands-too-far")
    assert "more than 1,000,000 bytes" in finding.message
    (tmp_path / "b.zip").write_bytes(bomb(1_000_000))
    assert found(planned(tmp_path / "b.zip"), "archive-expands-too-far") == []


def test_a_bomb_that_lies_about_its_size_is_stopped_early(tmp_path: Path) -> None:
    (tmp_path / "a.zip").write_bytes(bomb(200 * MIB, promised=600_000))
    plan = planned(tmp_path / "a.zip")
    assert plan.source_size == 600_000
    tracemalloc.start()
    started = time.perf_counter()
    with pytest.raises(BuildError, match="expands to more than its 600,000 bytes"):
        build_disc(plan, tmp_path / "disc.iso")
    assert time.perf_counter() - started < 2
    assert tracemalloc.get_traced_memory()[1] < 16 * MIB
    tracemalloc.stop()
    assert not (tmp_path / "disc.iso").exists()


def test_members_that_overlap_are_refused(tmp_path: Path) -> None:
    """As in bombs whose members all share one run of bytes."""
    data = write_zip(tmp_path / "a.zip", {"A": b"a" * 999, "B": b"b" * 999}).read_bytes()
    second = data.rindex(b"PK\1\2")
    (tmp_path / "a.zip").write_bytes(put(data, second + 42, struct.pack("<I", 0)))
    plan = planned(tmp_path / "a.zip")
    assert paths(plan) == ["/A"]
    assert len(found(plan, "members-overlap")) == 1


DAMAGES = {
    "data": (lambda data: data.index(b"PK\3\4") + 30 + 5 + 40, "CRC|cannot be expanded|bytes"),
    "crc": (central(16), "its CRC is"),
    "local name": (local(30), "another member"),
    "local method": (local(8), "another member"),
    "local signature": (local(0), "local header is"),
    "local encryption": (local(6), "another member"),
    "local extra": (local(29), "into the archive's directory"),
    "size": (central(24), "bytes, expected|expands to more"),
    "stored size": (central(20), "does not end where|cannot be expanded"),
}


@pytest.mark.parametrize("what", DAMAGES)
def test_damage_is_found_when_the_member_is_read(tmp_path: Path, what: str) -> None:
    place, message = DAMAGES[what]
    archive = write_zip(tmp_path / "a.zip", {"A.SYS": random.Random(1).randbytes(5000) * 2})
    build_disc(planned(archive), tmp_path / "control.iso")
    data = archive.read_bytes()
    at = place(data)
    changed_byte = data[at] ^ (1 if what not in ("data", "local extra") else 0xFF)
    archive.write_bytes(put(data, at, bytes([changed_byte])))
    with pytest.raises(BuildError, match=message) as caught:
        build_disc(planned(archive), tmp_path / "disc.iso")
    assert "a.zip:/A.SYS: " in str(caught.value)
    assert not (tmp_path / "disc.iso").exists()


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


def test_an_empty_member_must_be_empty(tmp_path: Path) -> None:
    """Nothing of it is written, so nobody else would notice."""
    archive = write_zip(tmp_path / "a.zip", {"A": b"not empty"})
    changed(archive, central(24), bytes(4))
    with pytest.raises(BuildError, match="expands to more than its 0 bytes"):
        build_disc(planned(archive), tmp_path / "disc.iso")


@pytest.mark.parametrize("what", ["touched", "cut", "gone", "folder"])
def test_an_archive_that_changed_since_the_plan_ends_the_build(tmp_path: Path, what: str) -> None:
    archive = write_zip(tmp_path / "a.zip", FILES)
    plan = planned(archive)
    if what == "touched":
        os.utime(archive, (1, 1))
    elif what == "cut":
        os.truncate(archive, 100)
    else:
        archive.unlink()
    if what == "folder":
        archive.mkdir()
    with pytest.raises(BuildError, match=r"a\.zip: "):
        build_disc(plan, tmp_path / "disc.iso")


def test_what_is_no_archive_is_an_input_error(tmp_path: Path) -> None:
    whole = write_zip(tmp_path / "whole.zip", {"A": b"a"}).read_bytes()
    (tmp_path / "text.zip").write_bytes(b"no archive")
    (tmp_path / "cut.zip").write_bytes(whole[:-5])
    os.mkfifo(tmp_path / "fifo.zip")
    split = put(whole, whole.rindex(b"PK\5\6") + 4, b"\1\0")
    (tmp_path / "split.zip").write_bytes(split)
    (tmp_path / "bad.zip").write_bytes(put(whole, whole.rindex(b"PK\5\6") + 16, b"\xff\xff\0\0"))
    for name, message in {
        "text": "neither a folder nor an image or archive",
        "cut": "is cut short",
        "fifo": "not a regular file",
        "split": "in several files",
        "bad": "is damaged",
        "missing": "no such folder, archive or image",
    }.items():
        with pytest.raises(InputError, match=message):
            planned(tmp_path / f"{name}.zip")


def test_a_directory_that_breaks_off_is_an_error_and_the_rest_is_there(tmp_path: Path) -> None:
    archive = write_zip(tmp_path / "a.zip", {"A": b"a", "B": b"b"})
    data = archive.read_bytes()
    archive.write_bytes(flip(data, data.rindex(b"PK\1\2")))
    plan = planned(archive)
    assert paths(plan) == ["/A"]
    (finding,) = found(plan, "source-unreadable")
    assert "its directory is damaged" in finding.message


def test_an_archive_with_too_many_members_is_cut_off(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(wrapped, "open_tree", partial(open_tree, bounds=Bounds(members=3)))
    plan = planned(write_zip(tmp_path / "a.zip", {str(number): b"" for number in range(4)}))
    assert paths(plan) == ["/0", "/1", "/2"]
    assert len(found(plan, "source-unreadable")) == 1


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
