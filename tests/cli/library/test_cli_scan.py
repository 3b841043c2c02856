"""``mediashelf scan``: what it says, its exit codes and its JSON."""

from __future__ import annotations

import os
import time
from pathlib import Path
from typing import Any

import pytest

from cli_runs import Shelf
from made_library import DATE, TICK, not_found, tide_image, write
from mediashelf.catalogue.scanning.reading import image as reading
from mediashelf.integrity.fixity.reading import digest_file


@pytest.fixture
def shelf(tmp_path: Path) -> Shelf:
    (tmp_path / "home").mkdir()
    made = Shelf(tmp_path)
    made.run("shelf", "add", made.home)
    return made


def test_first_and_second_scan(shelf: Shelf) -> None:
    write(shelf.home / "a.iso", tide_image(1), DATE)
    write(shelf.home / "b.iso", tide_image(2), DATE)
    first = shelf.run("scan").stdout
    assert "home: 2 new\n  new: a.iso\n  new: b.iso\n2 images read, " in first
    second = shelf.run("scan").stdout
    assert second.startswith("home: 2 unchanged\n0 images read, 0 bytes in ")
    assert shelf.run("scan", "-q").stdout == ""


def test_what_happened_is_named(shelf: Shelf) -> None:
    write(shelf.home / "changed.iso", tide_image(1), DATE)
    write(shelf.home / "moved.iso", tide_image(2), DATE)
    write(shelf.home / "gone.iso", tide_image(3), DATE)
    shelf.run("scan")
    write(shelf.home / "changed.iso", tide_image(4), DATE + TICK)
    (shelf.home / "moved.iso").rename(shelf.home / "new name.iso")
    (shelf.home / "gone.iso").unlink()
    write(shelf.home / "copy.iso", tide_image(4), DATE)
    out = shelf.run("scan", code=1).stdout
    assert out.startswith("home: 1 new, 1 moved, 1 changed and waiting, 1 missing\n")
    assert "  moved: new name.iso (was home: moved.iso)" in out
    assert "  changed, waiting: changed.iso (the bytes of home: copy.iso)" in out
    assert "  missing: gone.iso" in out
    again = shelf.run("scan", code=1).stdout
    assert "home: 2 unchanged, 1 still waiting, 1 gone before" in again
    assert "changed.iso: the bytes differ from the record" in again


def test_quiet_names_only_what_needs_attention(shelf: Shelf) -> None:
    write(shelf.home / "a.iso", tide_image(1), DATE)
    assert shelf.run("scan", "-q").stdout == ""
    (shelf.home / "a.iso").unlink()
    out = shelf.run("scan", "-q", code=1).stdout
    assert out.startswith("  missing: a.iso\nerror file-is-present\n")


def test_many_names_are_counted(shelf: Shelf) -> None:
    for number in range(25):
        write(shelf.home / f"{number:02}.iso", b"%d" % number, DATE)
    assert "  … and 5 more\n" in shelf.run("scan").stdout


def test_damage_inside_is_pointed_at_and_is_no_failure_of_the_scan(shelf: Shelf) -> None:
    write(shelf.home / "cut.iso", tide_image()[:-8192], DATE)
    out = shelf.run("scan").stdout
    assert "1 of these has errors inside; see them with: mediashelf list --findings" in out


def test_an_unreadable_image_is_an_error(shelf: Shelf, monkeypatch: pytest.MonkeyPatch) -> None:
    write(shelf.home / "a.iso", tide_image(1), DATE)
    write(shelf.home / "b.iso", tide_image(2), DATE)

    def failing(path: Path, **options: Any) -> Any:
        if path.name == "a.iso":
            raise reading.InputError(f"{path}: cannot be read: Input/output error")
        return digest_file(path, **options)

    monkeypatch.setattr(reading, "digest_file", failing)
    out = shelf.run("scan", code=1).stdout
    assert "error file-is-readable\n  home: a.iso: cannot be read: Input/output error" in out
    shelf.run("scan", "--fail-on", "never")
    document = shelf.json("scan", code=1)
    assert [finding["rule"] for finding in document["findings"]] == ["file-is-readable"]


def test_an_away_shelf_is_said_and_is_no_error(shelf: Shelf) -> None:
    write(shelf.home / "a.iso", tide_image(), DATE)
    shelf.run("scan")
    shelf.home.rename(shelf.folder / "unplugged")
    assert f"home: away ({not_found(shelf.home)}); 1 image keeps its record" in (
        shelf.run("scan").stdout
    )


def test_named_shelves_only(shelf: Shelf) -> None:
    (shelf.folder / "card").mkdir()
    shelf.run("shelf", "add", shelf.folder / "card")
    write(shelf.home / "a.iso", tide_image(1), DATE)
    write(shelf.folder / "card" / "b.iso", tide_image(2), DATE)
    assert [image["path"] for image in shelf.json("scan", "CARD", "card")["images"]] == ["b.iso"]


def test_json_shape(shelf: Shelf) -> None:
    name = os.fsdecode(b"caf\xe9\n.iso")
    write(shelf.home / name, tide_image(), DATE)
    document = shelf.json("scan")
    assert (document["command"], document["version"]) == ("scan", 1)
    (listed,) = document["shelves"]
    assert listed["name"] == "home"
    assert listed["is_here"] is True
    assert listed["counts"]["new"] == 1
    (image,) = document["images"]
    assert image["path"] == name
    assert image["event"] == "new"
    assert image["digests"] == digest_file(shelf.home / name).whole
    assert document["findings"] == []


def test_hostile_names_reach_the_terminal_escaped(shelf: Shelf) -> None:
    write(shelf.home / "\x1b[2Jx.iso", tide_image(1), DATE)
    write(shelf.home / os.fsdecode(b"caf\xe9.iso"), tide_image(2), DATE)
    out = shelf.run("scan").stdout
    assert "\x1b" not in out
    assert "\\x1b[2Jx.iso" in out
    assert "caf\\udce9.iso" in out


def test_nothing_to_scan(tmp_path: Path) -> None:
    shelf = Shelf(tmp_path)
    assert "mediashelf shelf add FOLDER" in shelf.run("scan", code=10).stderr
    assert not shelf.catalogue.exists()


def test_a_narrow_terminal(shelf: Shelf) -> None:
    write(shelf.home / "a rather long name of an image.iso", tide_image(), DATE)
    shelf.width = 40
    assert max(map(len, shelf.run("scan").stdout.splitlines())) <= 40


def test_an_unchanged_library_takes_no_time(shelf: Shelf) -> None:
    for number in range(100):
        write(shelf.home / f"{number}.iso", tide_image(number), DATE)
    shelf.run("scan")
    tries = []
    for _ in range(3):
        started = time.perf_counter()
        shelf.run("scan")
        tries.append(time.perf_counter() - started)
    assert min(tries) < 1  # it takes a twentieth of that here
