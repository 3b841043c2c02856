"""From a machine's list to a disc in three commands: what the shelves have is what it has."""

from __future__ import annotations

import io
import json
import tomllib
import zipfile
from pathlib import Path
from typing import Any

import pytest

from cli_runs import Shelf
from driver_examples import inf_text
from forty_packages import write_packages
from make_image import make_iso

LAN = "PCI\\VEN_F4B9&DEV_0100"
VIDEO = "PCI\\VEN_F2C4&DEV_0301"


def table(answer: str, target: int = 0) -> list[tuple[str, str, str]]:
    """What each device has: state, section, and the name of the INF."""
    return [
        (
            device["cover"],
            (device["package"] or {"section": ""})["section"],
            (device["package"] or {"inf": ""})["inf"].rpartition("/")[2].lower(),
        )
        for device in json.loads(answer)["targets"][target]["devices"]
    ]


@pytest.fixture
def shelf(tmp_path: Path) -> Shelf:
    made = Shelf(tmp_path)
    made.home.mkdir()
    made.run("shelf", "add", made.home, "--name", "home")
    return made


def drafted(shelf: Shelf, machine: Path, *targets: str) -> dict[str, Any]:
    recipe = shelf.folder / "driver-disc.toml"
    options = [word for target in targets for word in ("-t", target)]
    shelf.run("recipe", "new", "--shelves", "-m", machine, *options, "-o", recipe)
    return tomllib.loads(recipe.read_text("utf-8"))


def test_the_written_disc_covers_what_the_shelves_cover(shelf: Shelf, tmp_path: Path) -> None:
    (tmp_path / "made").mkdir()
    made = write_packages(tmp_path / "made")
    shelf.run(
        "build", made.recipe, "--spread", "-o", shelf.home / "series", "-q", "--fail-on", "never"
    )
    shelf.run("scan")
    drafted(shelf, made.machine, "win9x", "nt5")
    disc = tmp_path / "drivers.iso"
    shelf.run("build", tmp_path / "driver-disc.toml", "-o", disc, "-q", "--fail-on", "never")
    asked = ("-m", made.machine, "-t", "win9x", "-t", "nt5", "--json", "--fail-on", "never")
    of_shelves = shelf.run("drivers", "--shelves", *asked).output
    of_disc = shelf.run("drivers", disc, *asked).output
    for target in range(2):
        assert table(of_disc, target) == table(of_shelves, target)
    assert len({state for state, _, _ in table(of_disc)}) > 1


def test_only_the_files_of_winning_packages_are_taken(shelf: Shelf) -> None:
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w") as archive:
        archive.writestr("win9x/TERN.INF", inf_text(LAN))
        archive.writestr("win9x/lkv.sys", b"x")
        archive.writestr("win9x/brochure.txt", b"buy it")
    video = inf_text(VIDEO, files="lkv.sys=2", disks="2=disk,,,\\drv").encode("ascii")
    files = {
        "PACK.ZIP": packed.getvalue(),
        "V [1]/LKV.INF": video,
        "V [1]/DRV/LKV.SYS": b"y",
        "V [1]/OTHER.INF": inf_text(VIDEO, version="01/01/1998,1.0.0.0").encode("ascii"),
        "V [1]/README.TXT": b"thanks",
    }
    (shelf.home / "packed.iso").write_bytes(make_iso(files, joliet=3).data)
    shelf.run("scan", "--packages")
    machine = shelf.folder / "machine.txt"
    machine.write_text(f"{LAN}\n\n{VIDEO}\n", "ascii")
    recipe = drafted(shelf, machine, "win9x")
    assert [(one["from"], sorted(one["only"])) for one in recipe["folder"]] == [
        ("home:packed.iso:/PACK.ZIP:/win9x", ["/TERN.INF", "/lkv.sys"]),
        ("home:packed.iso:/V [1]", ["/DRV/LKV.SYS", "/LKV.INF"]),
    ]
    assert recipe["machine"] == "machine.txt"
    disc = shelf.folder / "drivers.iso"
    shelf.run("build", shelf.folder / "driver-disc.toml", "-o", disc)
    listed = shelf.run("drivers", disc, "-m", machine, "-t", "win9x", "--json").output
    assert table(listed) == [("covered", "Install", "tern.inf"), ("covered", "Install", "lkv.inf")]
    names = shelf.run("show", disc, "--tree").output
    assert "brochure" not in names and "README" not in names and "OTHER" not in names


def test_dos_drivers_are_taken_whose_files_name_the_chip(shelf: Shelf) -> None:
    files = {
        "DOS/TERN.SYS": b"\xff\xff\xff\xff" + b"\0" * 30,
        "DOS/TERN.TXT": b"For chips F4B9:0100 and later.",
    }
    (shelf.home / "dos.iso").write_bytes(make_iso(files, joliet=3).data)
    shelf.run("scan")
    machine = shelf.folder / "machine.txt"
    machine.write_text(f"{LAN}\n", "ascii")
    recipe = drafted(shelf, machine, "dos")
    (folder,) = recipe["folder"]
    assert (folder["from"], folder["to"]) == ("home:dos.iso:/DOS", "/DOS/DOS")
    # That it drives the device, only a person can say.
    assert "provides" not in folder
    text = (shelf.folder / "driver-disc.toml").read_text("utf-8")
    assert f"# provides = [{json.dumps(LAN)}]" in text or f"# provides = ['{LAN}']" in text


def test_an_image_that_is_away_is_asked_for(shelf: Shelf) -> None:
    files = {"V/LKV.INF": inf_text(VIDEO).encode("ascii"), "V/LKV.SYS": b"y"}
    image = shelf.home / "video.iso"
    image.write_bytes(make_iso(files, joliet=3).data)
    shelf.run("scan")
    machine = shelf.folder / "machine.txt"
    machine.write_text(f"{VIDEO}\n", "ascii")
    drafted(shelf, machine, "win9x")
    image.unlink()
    shelf.run("scan", code=1)
    result = shelf.run("build", shelf.folder / "driver-disc.toml", "-n", code=3)
    assert "home: video.iso: is missing" in result.output


def test_a_recipe_is_never_written_over(shelf: Shelf) -> None:
    machine = shelf.folder / "machine.txt"
    machine.write_text(f"{VIDEO}\n", "ascii")
    drafted(shelf, machine, "win9x")
    text = shelf.run(
        *("recipe", "new", "--shelves", "-m", machine, "-t", "win9x"),
        *("-o", shelf.folder / "driver-disc.toml"),
        code=9,
    ).output
    assert "exists" in text


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--shelves"], "--shelves needs a machine and a system"),
        (["--shelves", "folder"], "name no folder with it"),
        ([], "or use --shelves"),
    ],
)
def test_what_does_not_go_together(shelf: Shelf, arguments: list[str], words: str) -> None:
    assert words in shelf.run("recipe", "new", *arguments, code=2).output
