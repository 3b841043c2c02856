"""Recipes: what they say, and what is said to whoever mistypes them."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from mediashelf.building.recipes.capacity import EMULATED_DRIVE, parse_capacity
from mediashelf.building.recipes.recipe import BootImage, SourceFolder, load_recipe
from mediashelf.building.recipes.source_names import recipe_from_folders
from mediashelf.errors import InputError, RecipeError

WHOLE = """\
label = "Harbour drivers"
targets = ["dos", "win9x"]
capacity = "74min"
index = false
boot = { image = "loader.bin", load_sectors = 8 }

[[folder]]
from = "drivers"
to = "/DRIVERS/VIDEO/"

[[folder]]
from = "../tools"
"""


def written(folder: Path, text: str | bytes) -> Path:
    path = folder / "disc.toml"
    path.write_bytes(text.encode("utf-8") if isinstance(text, str) else text)
    return path


def test_a_whole_recipe(tmp_path: Path) -> None:
    recipe = load_recipe(written(tmp_path, WHOLE))
    assert recipe.label == "Harbour drivers"
    assert recipe.targets == ("dos", "win9x")
    assert recipe.capacity.sectors == 333_000
    assert recipe.index is False
    assert recipe.boot == BootImage(tmp_path / "loader.bin", 8)
    assert recipe.folders == (
        SourceFolder(tmp_path / "drivers", ("DRIVERS", "VIDEO")),
        SourceFolder(tmp_path / "../tools", ()),
    )
    assert recipe.machines == ()
    assert recipe.path == tmp_path / "disc.toml"


def test_a_folder_with_every_key(tmp_path: Path) -> None:
    recipe = load_recipe(
        written(
            tmp_path,
            """\
machine = "kiosk.txt"

[[folder]]
from = "dos.zip"
to = "/DOS"
only = ["*.sys", "net/"]
skip = ["*.bak"]
keep_together = true
order = -2
provides = ['PCI\\VEN_F4B9&DEV_0100', "*LKV0500"]
provides_for = ["dos"]
notes = "Load CDUSB.SYS first."
""",
        )
    )
    assert recipe.machines == (tmp_path / "kiosk.txt",)
    assert recipe.folders == (
        SourceFolder(
            tmp_path / "dos.zip",
            ("DOS",),
            ("*.sys", "net/"),
            ("*.bak",),
            True,
            -2,
            ("PCI\\VEN_F4B9&DEV_0100", "*LKV0500"),
            ("dos",),
            "Load CDUSB.SYS first.",
        ),
    )


def test_what_provides_drivers_is_one_package() -> None:
    assert SourceFolder(Path("a"), provides=("*LKV0500",)).is_one_package
    assert SourceFolder(Path("a"), keep_together=True).is_one_package
    assert not SourceFolder(Path("a")).is_one_package


def test_the_least_recipe(tmp_path: Path) -> None:
    recipe = load_recipe(written(tmp_path, '[[folder]]\nfrom = "drivers"\n'))
    assert recipe.label == "disc"  # the file's own name
    assert recipe.targets == ()
    assert recipe.capacity == EMULATED_DRIVE
    assert recipe.index is True
    assert recipe.boot is None


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("label = \n", r"disc\.toml: line 1, column 9: is not TOML"),
        ('lable = "X"\n', "unknown key 'lable'; did you mean 'label'"),
        ('zebra = "X"\n', "unknown key 'zebra'; known here: boot, capacity, folder, index"),
        ('label = "X"\n', r"no \[\[folder\]\] says what goes on the disc"),
        ('folder = "drivers"\n', r"folder is 'drivers', expected a list of tables, \[\[folder\]\]"),
        ("[[folder]]\n", r"\[folder\] 1: from is missing; it names a folder"),
        (
            '[[folder]]\nfrom = "a"\n[[folder]]\nform = "b"\n',
            r"\[folder\] 2: unknown key 'form'",
        ),
        ("[[folder]]\nfrom = 7\n", r"\[folder\] 1: from is 7, expected text"),
        (
            '[[folder]]\nfrom = "a"\nto = "/../x"\n',
            r"\[folder\] 1: to is '/../x', expected",
        ),
        ('[[folder]]\nfrom = "a"\nto = "C:\\\\X"\n', "expected a place on the disc"),
        ('[[folder]]\nfrom = "a\\u0000"\n', "expected a path without control characters"),
        ("label = 7\n[[folder]]\nfrom = 'a'\n", "label is 7, expected text"),
        ("targets = 7\n[[folder]]\nfrom = 'a'\n", "targets is 7, expected a list of targets"),
        ("index = 'on'\n[[folder]]\nfrom = 'a'\n", "index is 'on', expected true or false"),
        ("capacity = 700\n[[folder]]\nfrom = 'a'\n", "capacity is 700, expected text"),
        ("capacity = '75min'\n[[folder]]\nfrom = 'a'\n", "did you mean"),
        ("boot = 7\n[[folder]]\nfrom = 'a'\n", "boot is 7, expected a path, or a table"),
        ("boot = {}\n[[folder]]\nfrom = 'a'\n", r"\[boot\]: image is missing"),
        ("boot = {image='a', load_sectors=0}\n[[folder]]\nfrom = 'a'\n", "from 1 to 65535"),
        ("boot = {image='a', load_sectors=true}\n[[folder]]\nfrom = 'a'\n", "from 1 to 65535"),
        (
            "boot = {imag='a'}\n[[folder]]\nfrom = 'a'\n",
            r"\[boot\]: unknown key 'imag'; did",
        ),
        (
            "[[folder]]\nfrom = 'a'\nordr = 1\n",
            r"\[folder\] 1: unknown key 'ordr'; did you mean 'order'",
        ),
        ("[[folder]]\nfrom = 'a'\nkeep = true\n", r"\[folder\] 1: unknown key 'keep'"),
        (
            "[[folder]]\nfrom = 'a'\nkeep_together = 1\n",
            "keep_together is 1, expected true",
        ),
        ("[[folder]]\nfrom = 'a'\norder = 'first'\n", "expected a whole number from -9999 to 9999"),
        ("[[folder]]\nfrom = 'a'\norder = 10000\n", "expected a whole number from -9999 to 9999"),
        ("[[folder]]\nfrom = 'a'\norder = true\n", "expected a whole number from -9999 to 9999"),
        ("[[folder]]\nfrom = 'a'\nonly = 7\n", "only is 7, expected a list of patterns"),
        ("[[folder]]\nfrom = 'a'\nskip = ['']\n", r"skip is \[''\], expected a list of patterns"),
        ("[[folder]]\nfrom = 'a'\nskip = ['../b']\n", r"\[folder\] 1: '../b' is not a pattern"),
        (
            "[[folder]]\nfrom = 'a'\nprovides = ['video']\n",
            r"provides is \['video'\], expected",
        ),
        ("[[folder]]\nfrom = 'a'\nprovides = ['A B\\C']\n", "expected hardware ids such as"),
        ('[[folder]]\nfrom = "a"\nprovides = ["PCI\\VEN_1"]\n', "between single quotes"),
        ("[[folder]]\nfrom = 'a'\nprovides_for = ['dos']\n", "no provides says what"),
        ("[[folder]]\nfrom = 'a'\nnotes = 7\n", "notes is 7, expected text"),
        ("machine = 7\n[[folder]]\nfrom = 'a'\n", "machine is 7, expected text"),
        (b"label = '\xff'\n", "line 1: byte 0xff at offset 9 is not UTF-8"),
        (b"#" * ((1 << 18) + 1), "larger than 256 KiB; is it a recipe"),
    ],
)
def test_mistakes_are_named_with_their_place(
    tmp_path: Path, text: str | bytes, message: str
) -> None:
    with pytest.raises(RecipeError, match=message) as caught:
        load_recipe(written(tmp_path, text))
    assert str(caught.value).startswith(str(tmp_path / "disc.toml"))


@pytest.mark.parametrize("name", ["missing.toml", "."])
def test_what_cannot_be_read_is_an_input_error(tmp_path: Path, name: str) -> None:
    with pytest.raises(InputError, match=r"does not exist|is not a regular file"):
        load_recipe(tmp_path / name)


def test_one_folder_is_the_disc_and_several_keep_their_names(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert recipe_from_folders([tmp_path / "drivers"]).folders[0].to == ()
    several = recipe_from_folders([tmp_path / "drivers", tmp_path / "tools"])
    assert [folder.to for folder in several.folders] == [("drivers",), ("tools",)]
    assert several.label == "drivers"
    (tmp_path / "here").mkdir()
    monkeypatch.chdir(tmp_path / "here")
    assert recipe_from_folders([Path()]).label == "here"
    assert recipe_from_folders([Path("..")]).label == tmp_path.name
    assert recipe_from_folders([Path(os.sep)]).label == ""
    with pytest.raises(RecipeError, match="at least one folder"):
        recipe_from_folders([])


# CD-Recordable FAQ 7-6 (a 74-minute disc has 333,000 sectors, 681,984,000 bytes); the
# last two lines are arithmetic.
@pytest.mark.parametrize(
    ("text", "sectors", "size"),
    [
        ("21min", 94_500, 193_536_000),
        ("63min", 283_500, 580_608_000),
        ("74min", 333_000, 681_984_000),
        ("74 MIN", 333_000, 681_984_000),
        ("80min", 360_000, 737_280_000),
        ("90min", 405_000, 829_440_000),
        ("99min", 445_500, 912_384_000),
        ("333,000 sectors", 333_000, 681_984_000),
        ("681984001 bytes", 333_000, 681_984_000),
    ],
)
def test_capacities(text: str, sectors: int, size: int) -> None:
    capacity = parse_capacity(text)
    assert (capacity.sectors, capacity.size) == (sectors, size)


def test_the_default_capacity_is_what_the_emulated_drive_serves_whole() -> None:
    """Linux 6.12, storage_common.c: 256 x 60 x 75 blocks and more are cut off."""
    assert EMULATED_DRIVE.sectors == 1_151_999
    assert EMULATED_DRIVE.size == 2_359_293_952
    assert EMULATED_DRIVE.percent_of(EMULATED_DRIVE.size // 2) == 50.0


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("700", "'700 sectors' or '700 bytes'"),
        ("75min", "did you mean '7"),
        ("much", "neither a medium"),
        ("1 byte", "not even one sector"),
        ("0 sectors", "not even one sector"),
        ("", "neither a medium"),
    ],
)
def test_other_texts_are_no_capacities(text: str, message: str) -> None:
    with pytest.raises(RecipeError, match=message):
        parse_capacity(text)
