"""``mediashelf compare``, as a person runs it."""

from __future__ import annotations

import os
import zipfile
from pathlib import Path

import pytest

from cli_runs import Shelf
from made_library import DATE, tide_image, write
from make_fat import make_fat
from make_image import make_iso, put
from make_raw import mode_1_image
from report_samples import HOSTILE, Page

FILES = {
    "README.TXT": b"tide table 0\r\n",
    "DRIVERS/VIDEO/LKVX3.VXD": b"video driver 0",
    "DRIVERS/VIDEO/LKVX.INF": b"[Version]\r\n",
    "DRIVERS/SOUND/QUILLON.SYS": b"sound driver",
}


@pytest.fixture
def shelf(tmp_path: Path) -> Shelf:
    shelf = Shelf(tmp_path)
    shelf.home.mkdir()
    return shelf


def test_an_image_its_raw_form_a_padded_one_an_archive_and_a_folder_are_equal(
    shelf: Shelf, tmp_path: Path
) -> None:
    image = write(tmp_path / "tide.iso", tide_image())
    raw = write(tmp_path / "tide.bin", mode_1_image(tide_image()))
    padded = write(tmp_path / "padded.iso", tide_image() + bytes(150 * 2048))
    folder = tmp_path / "folder"
    with zipfile.ZipFile(tmp_path / "tide.zip", "w") as archive:
        for name, data in FILES.items():
            write(folder / name, data)
            archive.writestr(name, data)
    sectors = {
        raw: "All sectors hold equal data.",
        padded: "zeros follow in the longer one",
        folder: "dates differ in 4 of them",
        tmp_path / "tide.zip": "4 files are the same",
    }
    for other, words in sectors.items():
        out = " ".join(shelf.run("compare", image, other).stdout.split())
        assert out.endswith("Equal."), other
        assert words in out
        assert shelf.json("compare", other, image)["is_equal"] is True


def test_differences_end_with_1_and_are_named(shelf: Shelf, tmp_path: Path) -> None:
    one = write(tmp_path / "a.iso", tide_image())
    other = write(tmp_path / "b.iso", tide_image(1, label="EBB"))
    out = shelf.run("compare", one, other, code=1).stdout
    assert "label (ISO 9660, Joliet): TIDE in A, EBB in B" in out
    assert "changed (2)" in out
    assert "README.TXT: 14 bytes, differs from byte 11" in out
    assert "Different: 2 changed, 1 difference in labels, trees or boot entries." in out
    quiet = shelf.run("compare", "-q", one, other, code=1).stdout
    assert "Different" not in quiet
    assert "README.TXT" in quiet
    document = shelf.json("compare", one, other, code=1)
    assert document["counts"]["changed"] == 2
    assert document["counts"]["same"] == 2
    assert document["sectors"]["alike"] == "different"
    paths = {each["path"]: each["first_difference"] for each in document["differences"]}
    assert paths == {"README.TXT": 11, "DRIVERS/VIDEO/LKVX3.VXD": 13}
    assert shelf.run("compare", "-q", one, one).stdout == ""


def test_images_are_named_as_the_screens_name_them(shelf: Shelf) -> None:
    shelf.run("shelf", "add", shelf.home)
    write(shelf.home / "tide.iso", tide_image(), DATE)
    write(shelf.home / "ebb.iso", tide_image(1), DATE)
    shelf.run("scan")
    document = shelf.json("compare", "home: tide.iso", "home:ebb.iso", code=1)
    assert document["a"]["name"] == "home: tide.iso"
    assert shelf.json("compare", "home: tide.iso", shelf.home / "tide.iso")["is_equal"]
    (shelf.home / "ebb.iso").unlink()
    out = shelf.run("compare", "home: tide.iso", "home: ebb.iso", code=3).output
    assert "is missing" in out


def test_discs_are_compared_by_a_kind_of_tree_that_both_have(shelf: Shelf, tmp_path: Path) -> None:
    both = write(tmp_path / "both.iso", make_iso(FILES, joliet=3).data)
    plain = write(tmp_path / "plain.iso", make_iso(FILES).data)
    document = shelf.json("compare", both, plain, code=1)
    assert document["differences"] == []
    assert [fact["name"] for fact in document["facts"] if fact["counts"]] == ["Joliet tree"]
    assert document["a"]["form"] == document["b"]["form"] == "ISO 9660 image"
    # Beside a folder with names of its own the letter case of ISO 9660 does not count.
    lower = tmp_path / "lower"
    for name, data in FILES.items():
        write(lower / name.lower(), data)
    document = shelf.json("compare", plain, lower)
    assert document["case_aside"] == 4


def test_two_trees_of_one_disc(shelf: Shelf, tmp_path: Path) -> None:
    image = write(tmp_path / "tide.iso", tide_image())
    words = ("compare", image, image, "--volume", "iso9660", "--volume", "joliet")
    out = " ".join(shelf.run(*words).stdout.split())  # places are longer on some systems
    assert "ISO 9660 image" in out
    assert "Joliet image" in out
    assert "4 files are the same" in out
    assert "twice at most" in shelf.run(*words, "--volume", "udf", code=2).output


def test_a_place_inside_an_image(shelf: Shelf, tmp_path: Path) -> None:
    image = write(tmp_path / "tide.iso", tide_image())
    for name, data in FILES.items():
        write(tmp_path / "folder" / name, data)
    place = f"{image}:/DRIVERS"
    assert shelf.json("compare", place, tmp_path / "folder" / "DRIVERS")["is_equal"]


def test_damage_of_one_byte_is_found_in_the_file_and_on_the_disc(
    shelf: Shelf, tmp_path: Path
) -> None:
    data = tide_image(mebibytes=1)
    at = len(data) - 300_000
    one = write(tmp_path / "a.iso", data)
    other = write(tmp_path / "b.iso", put(data, at, bytes([data[at] ^ 1])))
    out = shelf.run("compare", one, other, code=1).stdout
    assert f"The discs differ from byte {at:,} (LBA {at // 2048:,})." in out
    assert "FILLER.DAT" in out


def test_the_page_says_what_the_screen_says(
    shelf: Shelf, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "1790000000")
    one = write(tmp_path / "a.iso", tide_image())
    other = write(tmp_path / "b.iso", tide_image(1, label="EBB"))
    file = tmp_path / "page.html"
    out = shelf.run("compare", one, other, "--report", file, code=1).stdout
    assert f"Report: {file}" in " ".join(out.split())
    page = Page(file.read_text("utf-8"))
    assert "Different: 2 changed" in page.title
    for words in (
        "label (ISO 9660, Joliet)",
        "EBB",
        "README.TXT",
        "14 bytes, differs from byte 11",
    ):
        assert words in page.flat
    before = file.read_bytes()
    shelf.run("compare", one, other, "--report", file, code=1)
    assert file.read_bytes() == before


def test_hostile_names_are_seen_and_do_nothing(shelf: Shelf, tmp_path: Path) -> None:
    evil = HOSTILE.replace("/", "|").encode("utf-8", "surrogateescape").decode("utf-8", "replace")
    names = {"a.zip": [evil, "same"], "b.zip": [f"x{evil}", "same", "../out"]}
    for name, members in names.items():
        with zipfile.ZipFile(tmp_path / name, "w") as archive:
            for member in members:
                archive.writestr(member, b"bytes of it")
    file = tmp_path / "page.html"
    words = ("compare", tmp_path / "a.zip", tmp_path / "b.zip")
    out = shelf.run(*words, "--report", file, code=1).stdout
    assert "\x1b" not in out
    assert "\\x1b[2J" in out
    assert "not everything could be listed" in out
    text = file.read_text("utf-8")
    assert "\x1b" not in text
    assert "script" not in Page(text).names
    shelf.json(*words, code=1)


def test_what_is_no_tree_is_an_error(shelf: Shelf, tmp_path: Path) -> None:
    image = write(tmp_path / "a.iso", tide_image())
    text = write(tmp_path / "notes.txt", b"no tree")
    assert "notes.txt" in shelf.run("compare", image, text, code=3).output
    assert "nowhere" in shelf.run("compare", image, tmp_path / "nowhere", code=3).output


def test_many_differences_are_counted_and_printed_on_demand(shelf: Shelf, tmp_path: Path) -> None:
    for number in range(50):
        write(tmp_path / "a" / f"{number}.txt", b"%d" % number)
    (tmp_path / "b").mkdir()
    words = ("compare", tmp_path / "a", tmp_path / "b")
    out = shelf.run(*words, code=1).stdout
    assert "only in A (50)" in out
    assert "… and 30 more; print them with --all" in out
    assert len(shelf.run(*words, "--all", code=1).stdout.splitlines()) > 52


def test_bytes_that_differ_outside_of_files_are_told(shelf: Shelf, tmp_path: Path) -> None:
    data = tide_image() + bytes(4096)
    one = write(tmp_path / "a.iso", data)
    other = write(tmp_path / "b.iso", data[:-1] + b"x")
    out = shelf.run("compare", one, other).stdout
    assert f"The discs differ from byte {len(data) - 1:,}" in out
    assert out.endswith("Equal in files, labels and boot entries; other bytes differ.\n")


def test_a_file_is_no_copy_of_itself(shelf: Shelf, tmp_path: Path) -> None:
    image = write(tmp_path / "tide.iso", tide_image())
    link = tmp_path / "link.iso"
    os.link(image, link)
    copy = write(tmp_path / "copy.iso", tide_image())
    assert "one and the same file" in shelf.run("compare", image, link).stdout
    assert shelf.json("compare", image, link)["is_one_file"] is True
    assert "one and the same" not in shelf.run("compare", image, copy).stdout
    assert shelf.json("compare", image, copy)["is_one_file"] is False
    assert "one and the same folder" in shelf.run("compare", tmp_path, tmp_path).stdout


def test_what_is_not_all_listed_is_not_called_different(shelf: Shelf, tmp_path: Path) -> None:
    """Equal bytes do not differ; a note tells of files that are there."""
    sound = make_fat({"A.TXT": b"a" * 5000})
    for data, code, word in (
        (put(sound, 512 * 10 + 9, b"\x55"), 0, "Equal."),  # the second table is another
        (sound[:1_000_000], 1, "Not shown to be equal: not everything could be listed."),
    ):
        for name in ("a.img", "b.img"):
            (tmp_path / name).write_bytes(data)
        words = ("compare", tmp_path / "a.img", tmp_path / "b.img")
        out = shelf.run(*words, code=code).stdout
        assert word in out
        assert "Different" not in out
        assert "a.img: " in out
        assert shelf.json(*words, code=code)["is_equal"] is (code == 0)
