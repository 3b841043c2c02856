"""``mediashelf drivers --shelves`` as a person runs it."""

from __future__ import annotations

import io
import json
import zipfile
from pathlib import Path

import pytest

from cli_runs import Shelf
from driver_examples import inf_text
from make_files import make_pe
from make_image import make_iso
from make_old_archives import make_lha, make_rar
from make_wrappings import behind_program, make_mszip

MACHINE = "PCI\\VEN_F2C4&DEV_0301\n\nPCI\\VEN_F4B9&DEV_0100&SUBSYS_0001F4B9\n"


@pytest.fixture
def shelf(tmp_path: Path) -> Shelf:
    made = Shelf(tmp_path)
    made.home.mkdir()
    text = inf_text("PCI\\VEN_F2C4&DEV_0301").encode("cp1252")
    lan = inf_text("PCI\\VEN_F4B9&DEV_0100&SUBSYS_0002F4B9").encode("cp1252")
    files = {"V/LKV.INF": text, "V/LKV.SYS": b"x", "L/LAN.INF": lan, "L/LKV.SYS": b"x"}
    (made.home / "drivers.iso").write_bytes(make_iso(files, joliet=3).data)
    (tmp_path / "machine.txt").write_text(MACHINE, "ascii")
    made.run("shelf", "add", made.home, "--name", "home")
    made.run("scan")
    return made


def test_a_machine_is_answered_from_the_shelves(shelf: Shelf) -> None:
    arguments = ("drivers", "--shelves", "-m", shelf.folder / "machine.txt", "-t", "win9x")
    text = shelf.run(*arguments, code=1).output
    assert "win9x: 1 of 2 devices covered, 1 without a driver" in text
    assert "covered: home:drivers.iso:/V/LKV.INF [Install]" in text
    assert "near (another board's): home:drivers.iso:/L/LAN.INF, for subsystem f4b9:0002" in text
    assert "1 image looked into: 2 INF packages, 2 without an INF\n" in text
    assert "archives inside 1 image not opened: mediashelf scan --packages" in text
    (shelf.home / "drivers.iso").unlink()
    shelf.run("scan", code=1)
    text = shelf.run(*arguments, code=1).output
    assert "the image is missing" in text


def test_that_its_image_is_not_as_published_is_told(shelf: Shelf) -> None:
    """Own behaviour: not a word, though every other command says so beside the image."""
    lines = shelf.folder / "SHA256SUMS"
    lines.write_text(f"{'0' * 64}  drivers.iso\n")
    shelf.run("checksums", "expect", lines, code=1)
    words = ("drivers", "--shelves", "-m", shelf.folder / "machine.txt", "-t", "win9x")
    assert "the image is sound, not as published" in shelf.run(*words, code=1).output
    first, _ = shelf.json(*words, code=1)["targets"][0]["devices"]
    assert first["image"] == "sound, not as published"


def test_json_has_places_and_what_comes_near(shelf: Shelf) -> None:
    machine = shelf.folder / "machine.txt"
    output = shelf.run(
        "drivers", "--shelves", "-m", machine, "-t", "win9x", "--json", code=1
    ).output
    whole = json.loads(output)
    assert whole["library"] == {
        "images": 1,
        "packages": 2,
        "without_inf": 2,  # what DOS may load, beside the INFs
        "images_without_their_archives": 1,
        "images_not_looked_into": 0,
    }
    first, second = whole["targets"][0]["devices"]
    assert first["package"]["source"] == "home:drivers.iso"
    assert (first["package"]["inf"], first["cover"]) == ("/V/LKV.INF", "covered")
    assert first["package"]["description"] == "Larkspur Video 3"
    assert [one["kind"] for one in second["near"]] == ["other-board"]


def test_why_a_package_wins(shelf: Shelf) -> None:
    machine = shelf.folder / "machine.txt"
    text = shelf.run(
        "drivers", "--shelves", "-m", machine, "-t", "win9x", "--explain", "1", code=1
    ).output
    assert "wins: home:drivers.iso:/V/LKV.INF [Install]" in text
    assert "rank 0x0003: PCI\\VEN_F2C4&DEV_0301, hardware id 4 of the device" in text


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--shelves", "-t", "win9x"], "--shelves needs a machine"),
        (["--shelves", "a.iso", "-t", "win9x"], "name no path with it"),
        (["-t", "win9x"], "or use --shelves"),
        (["--shelves", "-m", "machine.txt"], "Name a system"),
        (
            ["--shelves", "-m", "machine.txt", "-t", "nt5", "--code-page", "cp932"],
            "a scan has read these",
        ),
    ],
)
def test_what_does_not_go_together(shelf: Shelf, arguments: list[str], words: str) -> None:
    arguments = [str(shelf.folder / one) if one == "machine.txt" else one for one in arguments]
    assert words in shelf.run("drivers", *arguments, code=2).output


def test_archives_inside_images_are_opened_when_asked(shelf: Shelf) -> None:
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w") as archive:
        archive.writestr("win9x/TERN.INF", inf_text("PCI\\VEN_F4B9&DEV_0100"))
        archive.writestr("win9x/lkv.sys", b"x")
    files = {"PACK.ZIP": packed.getvalue(), "SETUP.EXE": b"ISc(" + bytes(40_000)}
    (shelf.home / "packed.iso").write_bytes(make_iso(files, joliet=3).data)
    shelf.run("scan")
    arguments = ("drivers", "--shelves", "-m", shelf.folder / "machine.txt", "-t", "win9x")
    assert "1 of 2 devices covered" in shelf.run(*arguments, code=1).output
    shelf.run("scan", "--packages")
    text = shelf.run(*arguments, code=0).output
    assert "covered: home:packed.iso:/PACK.ZIP:/win9x/TERN.INF [Install]" in text
    assert "not-opened" in text
    assert "home:packed.iso:/SETUP.EXE" in text
    assert "archives inside" not in text
    shelf.run("scan")  # what was opened stays
    assert "2 of 2 devices covered" in shelf.run(*arguments).output


@pytest.mark.parametrize("name", ["lan.cab", "setup.exe", "lan.lzh", "lan.part1.rar"])
def test_archives_that_are_alone_on_a_shelf_answer_too(shelf: Shelf, name: str) -> None:
    pytest.importorskip("libarchive")
    lan = inf_text("PCI\\VEN_F4B9&DEV_0100&SUBSYS_0001F4B9").encode("cp1252")
    files = {"L/LAN.INF": lan, "L/LKV.SYS": b"x" * 4096}
    maker = {"cab": make_mszip, "lzh": make_lha, "rar": make_rar}.get(name[-3:])
    data = maker(files) if maker is not None else behind_program(make_mszip(files))
    (shelf.home / name).write_bytes(data)
    (shelf.home / "tool.exe").write_bytes(make_pe().data)
    shelf.run("scan")
    machine = shelf.folder / "machine.txt"
    text = shelf.run("drivers", "--shelves", "-m", machine, "-t", "win9x").output
    assert f"covered: home:{name}:/L/LAN.INF [Install]" in text
    assert "2 images looked into: 3 INF packages" in text


@pytest.mark.parametrize(
    ("target", "encoding"),
    [("win9x", "cp1252"), ("nt5", "cp1252"), ("nt5", "utf-16"), ("nt5", "utf-16-le")],
)
def test_texts_of_packages_that_devices_get_are_judged_as_those_of_a_disc(
    tmp_path: Path, target: str, encoding: str
) -> None:
    shelf = Shelf(tmp_path)
    shelf.home.mkdir()
    text = inf_text("PCI\\VEN_F2C4&DEV_0301") + "[Strings]\r\nA=1\r\nA=2\r\n[unclosed\r\n"
    text = text.replace("DriverVer=03/18/", "DriverVer=13/45/")
    other = inf_text("PCI\\VEN_F2C4&DEV_0999") + "[open\r\n"
    files = {"V/LKV.INF": text.encode(encoding), "V/LKV.SYS": b"x", "O/LKV.SYS": b"x"}
    image = shelf.home / "drivers.iso"
    image.write_bytes(make_iso({**files, "O/O.INF": other.encode()}, joliet=3).data)
    (tmp_path / "machine.txt").write_text("PCI\\VEN_F2C4&DEV_0301\n", "ascii")
    shelf.run("shelf", "add", shelf.home, "--name", "home")
    shelf.run("scan")
    asked = ("-m", tmp_path / "machine.txt", "-t", target)
    said = [
        {
            (one["rule"], one["severity"], one["message"], one["target"])
            for one in shelf.json("drivers", *subject, *asked)["findings"]
            if "/V/LKV.INF" in one["where"] or (subject == ("--shelves",) and one["where"])
        }
        for subject in ((image,), ("--shelves",))
    ]
    assert said[0] == said[1]
    rules = {"section-not-closed", "duplicate-string", "driver-version-form"}
    noted = {"utf-16-inf"} if encoding == "utf-16-le" else set()
    assert {rule for rule, *_ in said[1]} == rules | noted
