"""``mediashelf recipe new``: what it writes can be read, built, and says what was found."""

from __future__ import annotations

import json
import os
import tomllib
import zipfile
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from mediashelf.building.recipes.capacity import EMULATED_DRIVE, NAMED
from mediashelf.building.recipes.draft import (
    DraftSource,
    RecipeDraft,
    draft_recipe,
    suggested_capacity,
)
from mediashelf.building.recipes.recipe import SourceFolder, load_recipe
from mediashelf.cli.main import main
from mediashelf.text import toml_quoted

DATE = 929_181_600
INF = """\
[Version]
Signature="$CHICAGO$"
Class=Display
Provider=Larkspur Video
[Manufacturer]
Larkspur=Models
[Models]
Larkspur 3=Install,PCI\\VEN_F2C4&DEV_0301
Larkspur 3 Plus=Install,PCI\\VEN_F2C4&DEV_0302
[Install]
CopyFiles=@lkv.vxd
[SourceDisksNames]
1=disk
[SourceDisksFiles]
lkv.vxd=1
"""
FILES = {
    "drivers/Larkspur Video/LKV.INF": INF,
    "drivers/Larkspur Video/lkv.vxd": "v",
    "drivers/DOS/net/SETUP.EXE": "d",
    "drivers/AUTORUN.INF": "[autorun]\nopen=setup.exe\n",
    "tools/EDIT.COM": "e",
    "kiosk.txt": "01:00.0 0300: f2c4:0301\n00:0b.0 0200: f4b9:0100\n",
}


@pytest.fixture
def work(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    for name, text in FILES.items():
        path = tmp_path / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text)
        os.utime(path, (DATE, DATE))
    monkeypatch.chdir(tmp_path)
    return tmp_path


def run(*arguments: str | Path) -> Result:
    return CliRunner().invoke(main, ["recipe", "new", *map(str, arguments)])


def build(*arguments: str | Path) -> Result:
    return CliRunner().invoke(main, ["build", *map(str, arguments)])


def uncommented(text: str) -> str:
    """The recipe with every commented key in force: lines such as ``# key = value``."""
    lines = []
    for line in text.splitlines():
        bare = line.removeprefix("# ")
        is_key = line.startswith("# ") and (" = " in bare or bare == "[[folder]]")
        lines.append(bare if is_key else line)
    return "\n".join(lines) + "\n"


def test_a_recipe_is_written_that_builds(work: Path) -> None:
    result = run("drivers", "-o", "disc.toml")
    assert result.exit_code == 0, result.output
    assert result.stdout == ""
    assert result.stderr == "disc.toml: 1 package with an INF; edit it, then build it\n"
    recipe = load_recipe(work / "disc.toml")
    assert recipe.label == "drivers"
    assert recipe.folders == (SourceFolder(work / "drivers"),)
    assert recipe.capacity == NAMED["74min"]
    assert (recipe.targets, recipe.machines) == ((), ())
    assert build("disc.toml", "-o", "disc.iso").exit_code == 0
    assert build("drivers", "-o", "plain.iso").exit_code == 0
    assert (work / "disc.iso").read_bytes() == (work / "plain.iso").read_bytes()


def test_what_was_found_stands_in_it(work: Path) -> None:
    text = run("drivers", "-t", "win9x", "-m", "kiosk.txt").stdout
    assert "#   /Larkspur Video/LKV.INF: Display, Larkspur Video, Larkspur 3 and 1 more\n" in text
    assert "#   1 Larkspur 3: covered: /Larkspur Video/LKV.INF\n" in text
    assert "#   2 network PCI\\VEN_F4B9&DEV_0100: none\n" in text
    assert 'machine = "kiosk.txt"\n' in text
    assert 'targets = ["win9x"]' in text
    assert "No INF in /DOS/net (setup program: SETUP.EXE)" in text
    # Nothing tells that the program is for the device without a driver.
    example = '# provides = ["PCI\\\\VEN_F2C4&DEV_0301"]'
    assert f"{example}  # an example; put the ids of its devices here\n" in text


@pytest.mark.parametrize("words", ["VEN_F4B9&DEV_0100", "for chip F4B9:0100", "ven_f4b9&dev_0100"])
def test_a_device_is_suggested_for_a_program_whose_files_name_it(work: Path, words: str) -> None:
    (work / "drivers/DOS/net/README.TXT").write_text(f"Ternfield LAN, {words}\n")
    text = run("drivers", "-t", "win9x", "-m", "kiosk.txt").stdout
    assert '# provides = ["PCI\\\\VEN_F4B9&DEV_0100"]  # named in its files\n' in text


def test_every_key_in_the_comments_is_one(work: Path) -> None:
    """Taken out of their comments, all of them are read; then nothing is unknown."""
    text = run("drivers", "tools").stdout
    (work / "machine.txt").write_text("")
    path = work / "all.toml"
    path.write_text(uncommented(text))
    recipe = load_recipe(path)
    assert [source.to for source in recipe.folders] == [
        ("drivers",),
        ("drivers", "DOS", "net"),
        ("tools",),
    ]
    assert recipe.folders[1].provides == ("PCI\\VEN_F2C4&DEV_0301",)
    assert recipe.folders[1].path == work / "drivers/DOS/net"
    assert recipe.boot is not None
    assert recipe.folders[0].keep_together


def test_paths_count_from_the_recipe(work: Path) -> None:
    (work / "recipes").mkdir()
    run("drivers", work / "tools", "-t", "dos", "-m", "kiosk.txt", "-o", "recipes/disc.toml")
    text = (work / "recipes/disc.toml").read_text()
    assert 'from = "../drivers"' in text
    assert 'from = "../tools"' in text
    assert 'machine = "../kiosk.txt"' in text
    assert build("recipes/disc.toml", "-n").exit_code == 0


def test_archives_are_sources(work: Path) -> None:
    with zipfile.ZipFile(work / "pack.zip", "w") as archive:
        archive.write("drivers/Larkspur Video/LKV.INF", "LKV.INF")
        archive.write("drivers/Larkspur Video/lkv.vxd", "lkv.vxd")
        archive.write("drivers/DOS/net/SETUP.EXE", "dos/SETUP.EXE")
    text = run("pack.zip").stdout
    assert 'from = "pack.zip"' in text
    assert "#   /LKV.INF: Display" in text
    assert "or unpack it into a folder of its own" in text
    loaded = tomllib.loads(text)
    assert loaded["folder"] == [{"from": "pack.zip", "to": "/"}]


def test_an_existing_file_is_never_written_over(work: Path) -> None:
    (work / "disc.toml").write_text("mine")
    result = run("drivers", "-o", "disc.toml")
    assert result.exit_code == 9
    assert "exists already" in result.stderr
    assert (work / "disc.toml").read_text() == "mine"


def test_the_json_form(work: Path) -> None:
    result = run("drivers", "--json")
    found: dict[str, Any] = json.loads(result.stdout)
    assert found["command"] == "recipe new"
    assert (found["version"], found["output"], found["capacity"]) == (1, None, "74min")
    assert found["text"] == run("drivers").stdout
    assert found["size"] == 300 * 2048
    (folder,) = found["folders"]
    assert (folder["from"], folder["to"]) == ("drivers", "/")
    assert folder["packages"] == [
        {
            "place": "/Larkspur Video/LKV.INF",
            "text": "Display, Larkspur Video, Larkspur 3 and 1 more",
            "identifiers": [],
        }
    ]
    program = {"place": "/DOS/net", "text": "setup program: SETUP.EXE", "identifiers": []}
    assert folder["programs"] == [program]


@pytest.mark.parametrize(
    ("arguments", "exit_code", "message"),
    [
        ([], 2, "FOLDER"),
        (["missing"], 3, "no such folder, archive or image"),
        (["drivers", "-m", "kiosk.txt"], 2, "--target"),
        (["drivers", "-t", "win9"], 7, "win9"),
        (["drivers", "-t", "dos", "-m", "missing.txt"], 3, "missing.txt"),
        (
            ["drivers", "-o", "no/such/disc.toml"],
            9,
            f"no folder {Path('no/such')}; make it",
        ),
    ],
)
def test_what_goes_wrong_has_its_exit_code(
    work: Path, arguments: list[str], exit_code: int, message: str
) -> None:
    result = run(*arguments)
    assert result.exit_code == exit_code, result.output
    assert message in result.stderr


@pytest.mark.skipif(os.name == "nt", reason="Windows has no controls in names of files")
def test_hostile_names_stay_inside_their_texts(work: Path) -> None:
    name = 'evil"\n[boot]\x1b\x7f\u202e\x85\\'
    (work / name).mkdir()
    (work / name / "x.inf").write_text(INF.replace("Larkspur 3", 'A"\x1b[31m'))
    text = run(name, "tools").stdout
    assert "\x1b" not in text
    assert "\u202e" not in text
    loaded = tomllib.loads(text)
    assert set(loaded) == {"label", "capacity", "folder"}
    assert loaded["folder"][0]["from"] == name.replace("\\", "\\")
    assert loaded["label"] == name
    (work / "hostile.toml").write_text(text)
    assert load_recipe(work / "hostile.toml").folders[0].path == work / name


@pytest.mark.skipif(os.name == "nt", reason="names are UTF-16 in Windows, not bytes")
def test_a_name_that_is_no_text_is_refused(work: Path) -> None:
    name = os.fsdecode(b"caf\xe9")
    try:
        (work / name).mkdir()
    except OSError:
        pytest.skip("this file system takes only UTF-8 names")
    result = run(work / name, "-o", "disc.toml")
    assert result.exit_code == 5
    assert "is not UTF-8" in result.stderr
    assert not (work / "disc.toml").exists()


def test_unreadable_sources_are_told(work: Path) -> None:
    with zipfile.ZipFile(work / "bad.zip", "w") as archive:
        archive.writestr("../out.txt", "x")
    result = run("bad.zip", "-o", "disc.toml")
    assert "1 error in these folders" in result.stderr


# CD-Recordable FAQ 7-6 for the media; the last is the emulated drive's own limit.
@pytest.mark.parametrize(
    ("size", "name"),
    [
        (1, "74min"),
        (333_000 * 2048, "74min"),
        (333_000 * 2048 + 1, "80min"),
        (360_000 * 2048 + 1, EMULATED_DRIVE.name),
        (EMULATED_DRIVE.size + 1, None),
    ],
)
def test_the_suggested_medium(size: int, name: str | None) -> None:
    capacity = suggested_capacity(size)
    assert (capacity.name if capacity is not None else None) == name
    draft = RecipeDraft("K", (DraftSource(Path("a"), "/"),), (), size, 1, size)
    text = draft_recipe(draft, Path())
    loaded = tomllib.loads(text)
    assert loaded.get("capacity") == {"74min": "74min", "80min": "80min", None: "80min"}.get(name)
    assert ("--spread" in text) is (name not in ("74min", "80min"))


@pytest.mark.parametrize(
    "text", ["", "plain", 'a"b\\c', "\x00\x1b\x7f\x85", "\u202e\u2028\U000e0001", "Πίνακας 潮 😀"]
)
def test_quoted_text_is_read_back(text: str) -> None:
    quoted = toml_quoted(text)
    assert tomllib.loads(f"a = {quoted}")["a"] == text
    assert quoted.isprintable()
