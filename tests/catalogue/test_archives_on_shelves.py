"""Archives, floppies and compressed images on shelves: recorded, found, shown and audited."""

from __future__ import annotations

import os
import random
import re
from pathlib import Path

import pytest

from cli_runs import Shelf
from made_library import overwrite
from make_files import make_pe
from make_wrappings import WRAPPINGS, make_zip

FILES = {
    "LAN/TERNFLD.INF": b"[Version]\r\n" * 30,
    "LAN/TERNFLD.SYS": bytes(range(256)) * 300,
    "README.TXT": b"Ternfield LAN",
}
ON_SHELVES = list(WRAPPINGS)


@pytest.fixture
def shelf(tmp_path: Path) -> Shelf:
    return Shelf.with_shelves(tmp_path, "home")


def test_every_wrapping_is_recorded_and_found_by_its_files(shelf: Shelf) -> None:
    for name in ON_SHELVES:
        (shelf.home / name).write_bytes(WRAPPINGS[name](FILES))
    scanned = shelf.json("scan")
    assert {image["path"]: image["event"] for image in scanned["images"]} == dict.fromkeys(
        ON_SHELVES, "new"
    )
    assert all(image["digests"] for image in scanned["images"])
    hits = shelf.json("find", "ternfld.sys")["hits"]
    assert {hit["image"]["path"] for hit in hits} == set(ON_SHELVES)
    assert {hit["path"] for hit in hits} == {"/LAN/TERNFLD.SYS"}
    audit = shelf.run("audit", "--depth", "contents")
    assert f"{len(ON_SHELVES)} images: {len(ON_SHELVES)} sound" in audit.stdout
    assert "missing" not in shelf.run("scan").stdout


def test_show_tells_what_an_archive_holds(shelf: Shelf) -> None:
    path = shelf.home / "pack.7z"
    path.write_bytes(WRAPPINGS["pack.7z"](FILES))
    shown = shelf.run("show", path, "--tree").stdout
    assert "7z archive" in shown
    assert "TERNFLD.SYS" in shown
    (volume,) = shelf.json("show", path)["volumes"]
    assert volume["kind"] == "archive"
    assert {one["path"]: one["size"] for one in volume["entries"] if not one["is_directory"]} == {
        f"/{name}": len(data) for name, data in FILES.items()
    }


def test_what_is_not_an_image_is_counted_and_named(shelf: Shelf) -> None:
    for name in ("a.mdf", "b.mdf", "k.iso.part", "notes.txt", "README", "firmware.img"):
        (shelf.home / name).write_bytes(b"x" * 600)
    (shelf.home / "tool.exe").write_bytes(make_pe().data)
    text = " ".join(shelf.run("scan").stdout.split())
    assert (
        "7 other files are not recorded as images: 2 .mdf, 1 without an ending, "
        "1 .exe, 1 .img, 1 .part, 1 .txt" in text
    )
    assert "1 .exe may hold driver packages, which drivers --shelves does not know" in text
    assert shelf.json("scan")["shelves"][0]["other_files"][".mdf"] == 2
    assert shelf.run("scan", "-q").stdout == ""


def test_damage_inside_an_archive_is_found_by_an_audit_of_contents(shelf: Shelf) -> None:
    data = bytearray(make_zip(FILES, 0))
    data[data.index(b"Ternfield LAN")] ^= 1
    (shelf.home / "pack.zip").write_bytes(data)
    shelf.run("scan")
    shelf.run("audit")  # the bytes are those on record: nobody read the members
    text = shelf.run("audit", "--depth", "contents", code=1).stdout
    assert "archive-member-whole" in text
    assert "/README.TXT: its CRC is" in text


def test_an_archive_that_decays_is_told_from_its_record(shelf: Shelf) -> None:
    path = shelf.home / "pack.zip"
    path.write_bytes(make_zip(FILES))
    shelf.run("scan")
    stamp = path.stat()
    data = bytearray(path.read_bytes())
    data[60] ^= 1
    path.write_bytes(data)
    os.utime(path, ns=(stamp.st_atime_ns, stamp.st_mtime_ns))
    assert "decayed" in shelf.run("audit", code=1).stdout


def test_a_cut_archive_is_damaged_and_recorded_all_the_same(shelf: Shelf) -> None:
    (shelf.home / "cut.zip").write_bytes(make_zip(FILES)[:300])
    (image,) = shelf.json("scan")["images"]
    assert image["digests"]
    (finding,) = image["findings"]
    assert finding["rule"] == "archive-opened"
    assert finding["severity"] == "error"
    assert "damaged" in shelf.run("list").stdout


def test_an_archive_that_is_closed_here_is_whole_as_far_as_is_known(shelf: Shelf) -> None:
    (shelf.home / "cab.zip").write_bytes(b"ISc(" + bytes(500))
    (image,) = shelf.json("scan")["images"]
    assert image["digests"]
    (finding,) = image["findings"]
    assert (finding["rule"], finding["severity"]) == ("archive-opened", "warning")
    assert "InstallShield" in finding["message"]


@pytest.mark.parametrize("name", ["image.iso.gz", "deflated.zip", "disk1.ima"])
def test_damage_in_what_has_no_sectors_of_a_disc_is_placed_by_bytes_alone(
    shelf: Shelf, name: str
) -> None:
    path = shelf.home / name
    path.write_bytes(WRAPPINGS[name]({**FILES, "FILLER.DAT": random.Random(1).randbytes(300_000)}))
    shelf.run("scan")
    overwrite(path, path.stat().st_size - 6, b"\xa5")
    out = shelf.run("audit", code=1).stdout
    assert re.search(r"^  bytes [\d,]+ to [\d,]+$", out, re.MULTILINE)
    assert "LBA" not in out
    assert "FILLER" not in out  # which bytes of the file are its bytes nobody can tell
    (image,) = shelf.json("audit", code=1)["images"]
    assert image["touched"] == []


def test_what_is_not_a_disc_is_readable_by_no_system(shelf: Shelf) -> None:
    """A drive serves the bytes of the file: no floppy, archive or compressed disc is one."""
    files = {**FILES, "FILLER.DAT": random.Random(1).randbytes(700_000)}
    for name in ("image.iso", "image.iso.gz", "image.iso.xz", "stored.zip", "pack.tar", "pack.7z"):
        (shelf.home / name).write_bytes(WRAPPINGS[name](files))
    (shelf.home / "disk1.ima").write_bytes(WRAPPINGS["disk1.ima"](FILES))
    (shelf.home / "as a disc.iso").write_bytes(WRAPPINGS["image.iso.gz"](files))
    shelf.run("scan")
    listed = shelf.json("list", "-t", "win9x")["images"]
    assert [image["path"] for image in listed] == ["image.iso"]
    shelf.run("list", "--report", shelf.folder / "library.html")


@pytest.mark.parametrize("name", ["image.iso.gz", "deflated.zip", "disk1.ima"])
def test_check_says_that_it_is_not_the_file_itself_that_a_system_reads(
    shelf: Shelf, name: str
) -> None:
    (shelf.home / name).write_bytes(WRAPPINGS[name](FILES))
    shelf.run("scan")
    out = " ".join(shelf.run("check", f"home: {name}", "-t", "win9x").stdout.split())
    assert "not a disc image as it is; a disc planned from the files in it: " in out
