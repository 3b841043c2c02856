"""Files as Windows has them: long paths, files held open, marks, devices, letters in any case.

Microsoft, "Naming Files, Paths, and Namespaces" and "Creating and Opening Files".
"""

from __future__ import annotations

import stat
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from cli_runs import Shelf
from made_library import tide_image, write
from mediashelf.cli.main import main
from mediashelf.errors import OutputError
from mediashelf.files import write_whole

if sys.platform != "win32":
    pytest.skip("of Windows alone", allow_module_level=True)

import ctypes

RECIPE = 'label = "KIOSK"\n[[folder]]\nfrom = "{source}"\nto = "/"\n'


@pytest.fixture
def shelf(tmp_path: Path) -> Shelf:
    made = Shelf(tmp_path)
    write(made.home / "tide.iso", tide_image(1))
    write(made.folder / "drivers" / "LKV.INF", b"[Version]\r\n")
    return made


@contextmanager
def held_alone(path: Path) -> Iterator[None]:
    """Hold a file as a program does that shares it with nobody (CreateFileW, no FILE_SHARE)."""
    kernel = ctypes.WinDLL("kernel32", use_last_error=True)
    kernel.CreateFileW.restype = ctypes.c_void_p
    generic_read, open_existing = 0x8000_0000, 3
    handle = kernel.CreateFileW(str(path), generic_read, 0, None, open_existing, 0x80, None)
    assert handle not in (None, ctypes.c_void_p(-1).value), ctypes.get_last_error()
    try:
        yield
    finally:
        kernel.CloseHandle(ctypes.c_void_p(handle))


@pytest.fixture
def deep(shelf: Shelf) -> Path:
    r"""Under ``\\?\`` a path may have 32,767 characters, whatever the registry says."""
    deep = Path("\\\\?\\" + str(shelf.folder.resolve())) / ("x" * 100) / ("y" * 100) / ("z" * 100)
    write(deep / "drivers" / "LKV.INF", b"[Version]\r\n")
    return deep


def test_discs_in_paths_longer_than_260_characters(shelf: Shelf, deep: Path) -> None:
    shelf.run("build", deep / "drivers", "--label", "DEEP", "-o", deep / "deep.iso", code=0)
    shelf.run("check", deep / "deep.iso", "-t", "dos")
    shelf.run("extract", deep / "deep.iso", "-o", deep / "out")
    assert (deep / "out" / "LKV.INF").read_bytes() == b"[Version]\r\n"


def test_a_shelf_in_a_path_longer_than_260_characters(shelf: Shelf, deep: Path) -> None:
    write(deep / "tide.iso", tide_image(1))
    try:
        deep.resolve(strict=True)
    except OSError as error:
        if error.winerror == 234:  # ERROR_MORE_DATA
            pytest.skip("Wine 8 cannot tell the whole name of so long a path")
        raise
    shelf.run("shelf", "add", deep, "--name", "deep")
    shelf.run("scan")
    assert shelf.json("audit")["images"][0]["state"] == "sound"


def test_a_source_that_another_program_holds_is_named_and_nothing_is_written(shelf: Shelf) -> None:
    source, output = shelf.folder / "drivers", shelf.folder / "disc.iso"
    with held_alone(source / "LKV.INF"):
        told = shelf.run("build", source, "--label", "HELD", "-o", output, code=8)
    assert "LKV.INF: cannot be read" in flat(told.stderr)
    assert not list(shelf.folder.glob("*disc.iso*"))
    shelf.run("build", source, "--label", "FREE", "-o", output)


def test_an_image_that_another_program_holds_keeps_its_record(shelf: Shelf) -> None:
    shelf.run("shelf", "add", shelf.home)
    shelf.run("scan")
    with held_alone(shelf.home / "tide.iso"):
        image = shelf.json("audit", code=1)["images"][0]
        assert image["state"] == "unreadable"
    assert shelf.json("audit")["images"][0]["state"] == "sound"


def test_an_output_that_is_open_or_marked_stays_as_it_was(shelf: Shelf) -> None:
    output = write(shelf.folder / "disc.iso", b"older")
    words = ("build", shelf.folder / "drivers", "--label", "X", "-o", output, "--replace")
    with held_alone(output):
        assert "close it there and run again" in flat(shelf.run(*words, code=9).stderr)
    output.chmod(stat.S_IREAD)
    assert "remove the mark" in flat(shelf.run(*words, code=9).stderr)
    assert output.read_bytes() == b"older"
    output.chmod(stat.S_IREAD | stat.S_IWRITE)
    shelf.run(*words)


def flat(text: str) -> str:
    return " ".join(text.split())


def test_images_and_sources_that_are_marked_read_only_are_read(shelf: Shelf) -> None:
    for path in (shelf.home / "tide.iso", shelf.folder / "drivers" / "LKV.INF"):
        path.chmod(stat.S_IREAD)
    shelf.run("shelf", "add", shelf.home)
    shelf.run("scan")
    assert shelf.json("audit")["images"][0]["state"] == "sound"
    disc = shelf.folder / "disc.iso"
    shelf.run("build", shelf.folder / "drivers", "--label", "MARKED", "-o", disc)
    assert disc.stat().st_mode & stat.S_IWRITE  # the mark is of the source, not of the disc


@pytest.mark.parametrize(
    ("name", "safe"),
    [
        ("NUL", "_NUL"),
        ("con", "_con"),
        ("aux.iso", "_aux.iso"),
        ("no such/disc.iso", ""),
        ("disc?.iso", "disc_.iso"),
    ],
)
def test_an_output_that_can_be_none_is_refused_and_nothing_is_left(
    shelf: Shelf, name: str, safe: str
) -> None:
    before = sorted(shelf.folder.rglob("*"))
    words = ("build", shelf.folder / "drivers", "--label", "X", "-o", shelf.folder / name)
    told = flat(shelf.run(*words, code=9).stderr)
    if "/" in name:
        assert "there is no folder" in told
    else:
        assert f"Windows has no files of this name; call it {safe}" in told
    assert sorted(shelf.folder.rglob("*")) == before


def test_an_output_that_ends_in_a_dot_replaces_nothing(shelf: Shelf) -> None:
    """Windows takes the dot away, so that it is the name of the file that is there."""
    output = write(shelf.folder / "disc.iso", b"older")
    words = ("build", shelf.folder / "drivers", "--label", "X", "-o", f"{output}.")
    assert "no files of this name; call it disc.iso_" in flat(shelf.run(*words, code=9).stderr)
    assert output.read_bytes() == b"older"
    shelf.run("extract", shelf.home / "tide.iso", "-o", f"{shelf.folder / 'out'}.", code=9)
    assert not (shelf.folder / "out").exists()


def test_a_folder_in_other_letters_is_the_same_shelf(shelf: Shelf) -> None:
    shelf.run("shelf", "add", shelf.home)
    words = ["shelf", "add", str(shelf.home).upper(), "--name", "again"]
    told = shelf.runner.invoke(main, words, env={"MEDIASHELF_CATALOGUE": str(shelf.catalogue)})
    assert told.exit_code >= 3
    assert "is already the shelf 'home'" in flat(told.output)
    shelf.run("scan")
    assert len(shelf.json("list")["images"]) == 1


@pytest.mark.parametrize("form", ["C:/…", "relative", "'C:\\…'"])
def test_recipes_with_drive_letters(shelf: Shelf, form: str) -> None:
    source = {"C:/…": (shelf.folder / "drivers").as_posix(), "relative": "drivers"}.get(form)
    recipe = shelf.folder / "disc.toml"
    text = RECIPE.format(source=source or "x")
    if source is None:
        text = text.replace('"x"', f"'{shelf.folder / 'drivers'}'")
    recipe.write_text(text, encoding="utf-8")
    told = flat(shelf.run("build", recipe, "-n").stdout)
    assert "2 files in 0 folders" in told  # the INF and the index


def test_eight_and_three_names_of_the_host_are_the_same_file(shelf: Shelf) -> None:
    """A short name of the host is another name of the file, not another file."""
    size = 260
    short = ctypes.create_unicode_buffer(size)
    long = write(shelf.folder / "a long name of a disc.iso", tide_image(3))
    assert ctypes.WinDLL("kernel32").GetShortPathNameW(str(long), short, size)
    assert long.samefile(short.value)
    words = ["mend", str(long), "--from", short.value, "-o", str(shelf.folder / "out.iso")]
    told = shelf.runner.invoke(main, words, env={"MEDIASHELF_CATALOGUE": str(shelf.catalogue)})
    assert told.exit_code >= 1
    assert "is the same file" in flat(told.output)
    assert not (shelf.folder / "out.iso").exists()


def test_a_catalogue_that_another_program_holds_is_named(shelf: Shelf) -> None:
    shelf.run("shelf", "add", shelf.home)
    with held_alone(shelf.catalogue):
        told = flat(shelf.run("list", code=10).stderr)
    assert "catalogue.sqlite" in told
    assert "is it locked" in told
    shelf.run("list")


def test_a_held_or_marked_file_is_never_replaced_half(tmp_path: Path) -> None:
    target = tmp_path / "disc.iso"
    target.write_bytes(b"older")
    with held_alone(target), pytest.raises(OutputError, match="another program may have it open"):
        write_whole(target, b"newer")
    target.chmod(stat.S_IREAD)
    with pytest.raises(OutputError, match="is marked read-only; remove the mark"):
        write_whole(target, b"newer")
    target.chmod(stat.S_IREAD | stat.S_IWRITE)
    assert target.read_bytes() == b"older"
    assert [path.name for path in tmp_path.iterdir()] == ["disc.iso"]
