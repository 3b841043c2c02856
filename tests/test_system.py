"""What is asked of each operating system, with the answers of the others forced (own behaviour)."""

from __future__ import annotations

import errno
import os
import stat
import subprocess
import sys
import unicodedata
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from click.testing import CliRunner

import mediashelf
import mediashelf.cli.main as cli
from cli_runs import Shelf
from made_library import open_library, tide_image, write
from mediashelf import system
from mediashelf.catalogue.shelves import add_shelf
from mediashelf.catalogue.store import open_catalogue
from mediashelf.errors import CatalogueError, OutputError
from mediashelf.files import whole_output


def test_a_process_is_alive_until_it_ends() -> None:
    with subprocess.Popen([sys.executable, "-c", "input()"], stdin=subprocess.PIPE) as running:
        assert system.is_process_alive(running.pid)
        running.communicate(b"\n")
    assert not system.is_process_alive(running.pid)
    assert system.is_process_alive(os.getpid())
    assert system.is_process_alive(10**30)  # no number of a process: nothing is known


def test_windows_is_never_asked_by_a_signal(monkeypatch: pytest.MonkeyPatch) -> None:
    """There signal 0 is CTRL_C_EVENT (Python's documentation of os.kill)."""
    monkeypatch.setattr(sys, "platform", "win32")
    monkeypatch.setattr(system, "_is_process_alive_in_windows", lambda number: number == 4)
    monkeypatch.setattr(os, "kill", None)
    assert system.is_process_alive(4)
    assert not system.is_process_alive(5)


@pytest.mark.parametrize("has_it", [True, False])
def test_macos_flushes_the_drive_too(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, has_it: bool
) -> None:
    """fcntl(2) of macOS: F_FULLFSYNC also asks the drive; network shares may lack it."""
    asked: list[str] = []

    def control(descriptor: int, command: int) -> None:
        asked.append(f"fcntl {command}")
        if not has_it:
            raise OSError(errno.ENOTSUP, "Operation not supported")

    monkeypatch.setattr(sys, "platform", "darwin")
    fake = SimpleNamespace(fcntl=control, F_FULLFSYNC=51)
    monkeypatch.setitem(sys.modules, "fcntl", fake)
    monkeypatch.setattr(os, "fsync", lambda descriptor: asked.append("fsync"))
    with (tmp_path / "x").open("wb") as file:
        system.flush_descriptor(file.fileno())
    assert asked == ["fcntl 51"] if has_it else ["fcntl 51", "fsync"]


def test_windows_says_why_it_keeps_a_file() -> None:
    """ERROR_ACCESS_DENIED, ERROR_SHARING_VIOLATION; other errors are told as they are."""

    def refused(number: int) -> str:
        error = PermissionError(errno.EACCES, "Access is denied")
        error.winerror = number  # type: ignore[attr-defined]
        return system.reason(error)

    open_words = "Access is denied; another program may have it open: close it there and run again"
    assert refused(5) == refused(32) == open_words
    assert refused(112) == "Access is denied"
    assert system.reason(OSError(errno.ENOSPC, "No space")) == "No space"


def test_a_marked_file_is_kept_in_windows_before_any_work(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = write(tmp_path / "disc.iso", b"older")
    monkeypatch.setattr(sys, "platform", "win32")
    assert not system.keeps_mark(path)
    assert not system.keeps_mark(tmp_path / "none")
    path.chmod(stat.S_IREAD)
    with (
        pytest.raises(OutputError, match="is marked read-only; remove the mark"),
        whole_output(path),
    ):
        raise AssertionError("no work is done")
    assert path.read_bytes() == b"older"
    path.chmod(stat.S_IREAD | stat.S_IWRITE)


@pytest.fixture
def macos(monkeypatch: pytest.MonkeyPatch) -> dict[str, str]:
    """Folders with the names that macOS tells of them (F_GETPATH), once they are open."""
    if os.name == "nt":
        pytest.skip("Windows opens no folder, so it cannot stand in for macOS")
    real: dict[str, str] = {}
    opened: dict[int, str] = {}
    whole_open = os.open

    def watched(path: Any, *arguments: Any, **more: Any) -> int:
        descriptor = whole_open(path, *arguments, **more)
        opened[descriptor] = str(path)
        return descriptor

    def control(descriptor: int, command: int, room: bytes = b"") -> bytes:
        name = opened[descriptor]
        return os.fsencode(real.get(name, name)).ljust(len(room), b"\0")

    monkeypatch.setattr(os, "open", watched)
    monkeypatch.setattr(sys, "platform", "darwin")
    fake = SimpleNamespace(fcntl=control, F_GETPATH=50, F_FULLFSYNC=51)
    monkeypatch.setitem(sys.modules, "fcntl", fake)
    return real


def test_macos_knows_a_folder_whatever_the_letters(tmp_path: Path, macos: dict[str, str]) -> None:
    """Its disks mostly take names in any case; names come back as they were made."""
    folder, other = tmp_path / "Isos", tmp_path / "isos"
    folder.mkdir()
    if not other.exists():
        other.mkdir()
    macos[str(other)] = str(folder)
    assert system.real_folder(other) == folder
    with open_catalogue(tmp_path / "catalogue.sqlite", create=True) as catalogue:
        add_shelf(catalogue, folder)
        with pytest.raises(CatalogueError, match="is already the shelf 'Isos'"):
            add_shelf(catalogue, other, "again")


def test_a_disk_of_macos_that_is_unplugged_is_away(tmp_path: Path, macos: dict[str, str]) -> None:
    """Below /Volumes the folder itself goes with the disk."""
    with open_library(tmp_path) as library:
        card = library.root.parent / "Volumes" / "KIOSK"
        card.mkdir(parents=True)
        add_shelf(library.catalogue, card, "card")
        write(card / "tide.iso", tide_image())
        library.scan()
        card.rename(tmp_path / "unplugged")
        plan, _ = library.scan()
        assert library.states() == {"card: tide.iso": "away"}
        assert plan.shelves[-1].shelf.name in ("card", "home")
        (tmp_path / "unplugged").rename(card)
        library.scan()
        assert library.states() == {"card: tide.iso": "recorded"}


@pytest.mark.parametrize("form", ["NFC", "NFD"])
def test_names_as_hfs_gives_them_make_the_same_disc(tmp_path: Path, form: str) -> None:
    """HFS+ takes composed letters apart (Apple, Technical Q&A QA1173); discs have them whole."""
    source = tmp_path / form
    write(source / unicodedata.normalize(form, "Größe é.txt"), b"x")
    recipe = mediashelf.recipe_from_folders([source])
    (plan,) = mediashelf.plan_recipe(recipe, [mediashelf.load_targets()["nt5"]]).plans
    names = {entry.path for volume in plan.facts.volumes for entry in volume.entries}
    assert unicodedata.normalize("NFC", "/Größe é.txt") in names


@pytest.mark.skipif(os.name != "nt", reason="the named mutexes of Windows")
def test_a_name_is_held_by_one_run_until_it_ends() -> None:
    code = (
        "from mediashelf.system import hold_in_windows as hold\n"
        "with hold('E:\\\\Card') as ours: print(ours, flush=True); input()"
    )
    command = [sys.executable, "-c", code]
    pipe = subprocess.PIPE
    with subprocess.Popen(command, stdin=pipe, stdout=pipe, text=True) as running:
        assert running.stdout is not None
        assert running.stdout.readline() == "True\n"
        with system.hold_in_windows("e:\\card") as ours, system.hold_in_windows("e:\\b") as other:
            assert (ours, other) == (False, True)
        running.kill()
    with system.hold_in_windows("E:\\Card") as ours:
        assert ours


LONG = "C:\\kiosk\\" + "x" * 260


@pytest.mark.parametrize(
    ("path", "number", "is_told"),
    [
        (LONG, 3, True),  # ERROR_PATH_NOT_FOUND
        (LONG, 206, True),  # ERROR_FILENAME_EXCED_RANGE
        (LONG, 5, False),  # ERROR_ACCESS_DENIED: another reason
        ("\\\\?\\" + LONG, 3, False),  # has no such limit
        ("C:\\kiosk", 3, False),
        (None, 3, False),
    ],
)
def test_a_path_too_long_for_windows_is_told(path: str | None, number: int, is_told: bool) -> None:
    """Microsoft, "Maximum Path Length Limitation": 260 characters with the NUL."""
    error = FileNotFoundError(errno.ENOENT, "No such file or directory", path)
    error.winerror = number
    told = system.advice(error)
    assert ("Windows takes 259" in told) is is_told
    assert ("begin the path with \\\\?\\" in told) is is_told


def test_the_advice_is_beside_the_error(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr(system, "advice", lambda error: f"see {Path(error.filename).name}")
    done = CliRunner().invoke(cli.main, ["check", str(tmp_path / "none.iso"), "-t", "dos"])
    assert done.exit_code == 3
    assert done.stderr.splitlines()[-1] == "see none.iso"


def test_a_name_that_cannot_be_resolved_is_taken_as_it_is(monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(path: object) -> str:
        raise OSError(errno.EINVAL, "More data is available")

    with monkeypatch.context() as patched:
        patched.setattr(os.path, "realpath", refuse)
        assert system.real_path(Path("disc.iso")) == str(Path.cwd() / "disc.iso")


def test_a_name_means_an_image_however_its_letters_are_composed(tmp_path: Path) -> None:
    """HFS+ takes composed letters apart (Apple, Technical Q&A QA1173); keyboards do not."""
    shelf = Shelf(tmp_path)
    apart, whole = (unicodedata.normalize(form, "Přílivy.iso") for form in ("NFD", "NFC"))
    write(shelf.home / apart, tide_image())
    shelf.run("shelf", "add", shelf.home)
    shelf.run("scan")
    if not (shelf.home / apart).exists():
        pytest.skip("this disk composes letters")
    for name in (f"home: {whole}", whole, f"home/{whole}", "home: př*", whole.upper()):
        assert shelf.json("audit", name)["images"][0]["where"] == f"home: {apart}"


def test_a_disc_is_not_written_into_its_source_whatever_the_letters(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Disks of macOS and Windows mostly take names in any case."""
    shelf = Shelf(tmp_path)
    write(tmp_path / "parts" / "LKV.INF", b"[Version]\r\n")
    write(tmp_path / "PARTS" / "aside.txt", b"x")
    write(tmp_path / "tide.iso", tide_image())
    write(tmp_path / "TIDE.ISO", tide_image())

    def is_same(one: Path, other: Path) -> bool:
        return str(one).lower() == str(other).lower()

    monkeypatch.setattr(Path, "samefile", is_same)
    words = ("build", tmp_path / "parts", "--label", "X", "-o", tmp_path / "PARTS" / "x.iso")
    assert "is inside" in shelf.run(*words, code=OutputError.exit_code).stderr
    words = ("build", tmp_path / "tide.iso", "--label", "X", "-o", tmp_path / "TIDE.ISO")
    told = shelf.run(*words, "--replace", code=OutputError.exit_code).stderr
    assert "is what the disc is made from" in " ".join(told.split())


def test_nothing_is_flushed_past_what_macos_needs() -> None:
    """Each flush asks :func:`.flush_descriptor`, which knows F_FULLFSYNC (fcntl(2) of macOS)."""
    package = Path(system.__file__).parent
    calls = {
        path.relative_to(package).as_posix()
        for path in package.rglob("*.py")
        if "fsync(" in path.read_text("utf-8")
    }
    assert calls == {"system.py"}
