"""A library over years: what is quiet stays quiet, and one thing that fails hides no other."""

from __future__ import annotations

import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from cli_runs import Shelf
from made_library import DATE, tide_image, write
from make_image import make_iso, put

LATER = "2999-01-01T00:00:00Z"  # as a clock says that goes wrong


@pytest.fixture
def shelf(tmp_path: Path) -> Shelf:
    made = Shelf.with_shelves(tmp_path, "home", "card")
    for number in range(3):
        write(made.home / f"{number}.iso", tide_image(number), DATE)
    write(tmp_path / "card" / "card.iso", tide_image(9), DATE)
    made.run("scan")
    return made


def test_an_away_shelf_is_one_line(shelf: Shelf) -> None:
    shelf.home.rename(shelf.folder / "unplugged")
    lines = shelf.run("audit", "--fail-on", "error").stdout.splitlines()
    assert [line.split()[:2] for line in lines if line.startswith("home")] == [["home", "away"]]
    assert sum("iso" in line for line in lines) == 1
    assert "4 images: 3 away, 1 sound." in lines
    lines = shelf.run("scan").stdout.splitlines()
    assert sum(line.startswith("home") for line in lines) == 1


def test_a_single_image_that_is_away_keeps_its_name(shelf: Shelf) -> None:
    (shelf.folder / "card").rename(shelf.folder / "unplugged")
    assert "card: card.iso" in shelf.run("audit").stdout


def test_what_moved_is_not_missing_too(shelf: Shelf) -> None:
    (shelf.home / "1.iso").rename(shelf.folder / "card" / "moved.iso")
    out = shelf.run("scan").stdout
    assert "moved: moved.iso (was home: 1.iso)" in " ".join(out.split())
    assert "missing" not in out


def test_what_moved_is_not_missing_in_a_scan_that_was_stopped(
    shelf: Shelf, monkeypatch: pytest.MonkeyPatch
) -> None:
    from mediashelf.catalogue.scanning import scan

    whole = scan.run_scan

    def stopped(*arguments: object, **options: object) -> object:
        yield from whole(*arguments, **options)  # type: ignore[arg-type]
        raise KeyboardInterrupt

    (shelf.home / "1.iso").rename(shelf.folder / "card" / "moved.iso")
    monkeypatch.setattr(scan, "run_scan", stopped)
    out = shelf.run("scan", code=130).stdout
    assert "moved: moved.iso" in out
    assert "missing" not in out


def test_a_name_that_means_nothing_does_not_hide_the_others(shelf: Shelf) -> None:
    result = shelf.run("audit", "home:0.iso", "nowhere.iso", "card", code=3)
    assert "2 images: 2 sound." in result.stdout
    assert "nowhere.iso: no shelf, file, folder or image" in " ".join(result.stderr.split())
    write(shelf.home / "new.iso", tide_image(33))
    result = shelf.run("scan", "cart", "home", code=3)
    assert "new: new.iso" in result.stdout
    assert "did you mean 'card'" in result.stderr


def test_a_shelf_that_cannot_be_walked_does_not_hide_the_others(
    shelf: Shelf, monkeypatch: pytest.MonkeyPatch
) -> None:
    from mediashelf.catalogue.scanning import planning

    whole = planning.walk_folder

    def failing(root: Path, *arguments: object) -> object:
        if root.name == "card":
            raise OSError(5, "Input/output error")
        return whole(root, *arguments)  # type: ignore[arg-type]

    write(shelf.home / "new.iso", tide_image(33))
    monkeypatch.setattr(planning, "walk_folder", failing)
    out = shelf.run("scan").stdout
    assert "card: away (Input/output error); 1 image keeps its record" in out
    assert "new: new.iso" in out


def dates(shelf: Shelf) -> set[tuple[str, ...]]:
    with closing(sqlite3.connect(shelf.catalogue)) as db:
        return {
            *db.execute("SELECT confirmed_at FROM fixity"),
            *db.execute("SELECT audited_at FROM images"),
            *db.execute("SELECT scanned_at FROM images"),
            *db.execute("SELECT scanned_at FROM shelves"),
        }


def test_a_clock_that_went_back_replaces_no_later_date(shelf: Shelf) -> None:
    shelf.run("audit")
    with closing(sqlite3.connect(shelf.catalogue, isolation_level=None)) as db:
        db.execute("UPDATE fixity SET confirmed_at = ?", [LATER])
        db.execute("UPDATE images SET audited_at = ?, scanned_at = ?", [LATER, LATER])
        db.execute("UPDATE shelves SET scanned_at = ?", [LATER])
    for path in shelf.home.glob("*.iso"):
        path.touch()
    shelf.run("scan")  # reads them again, and confirms
    shelf.run("audit")
    assert dates(shelf) == {(LATER,)}


def test_a_folder_is_kept_without_detours(shelf: Shelf, monkeypatch: pytest.MonkeyPatch) -> None:
    (shelf.folder / "attic").mkdir()
    monkeypatch.chdir(shelf.home)
    shelf.run("shelf", "add", "../home/../attic")
    roots = {one["name"]: one["root"] for one in shelf.json("shelf", "list")["shelves"]}
    assert roots["attic"] == str((shelf.folder / "attic").resolve())


def test_a_library_whose_findings_are_acknowledged_ends_with_0(shelf: Shelf) -> None:
    made = make_iso({"README.TXT": b"x"}, label="ODD")
    odd = put(made.data, made.field("primary", "volume_space_size"), bytes([1, 0, 0, 0]))
    write(shelf.home / "odd.iso", odd)
    shelf.run("scan")
    assert "error" in shelf.run("audit", "-q", code=1).stdout
    findings = shelf.json("list", "--findings", "--name", "odd.iso")["images"][0]["findings"]
    rules = [one["rule"] for one in findings if one["severity"] != "note"]
    words = [part for rule in rules for part in ("--acknowledge", rule)]
    shelf.run("audit", "odd.iso", *words, "--why", "mastered so", "--fail-on", "warning")
    for command in (("audit", "-q"), ("scan", "-q"), ("audit", "-q", "--due", "180d")):
        result = shelf.run(*command, "--fail-on", "warning")
        assert "error" not in result.stdout
        assert "warning" not in result.stdout


def test_names_with_a_dot_and_spaces_in_checksum_lists(shelf: Shelf) -> None:
    import hashlib

    folder = shelf.folder / "files"
    for name in ("a b.iso", " lead.iso", "sub/c d.iso"):
        write(folder / name, name.encode())
    lines = [
        f"{hashlib.sha256(name.encode()).hexdigest()}  ./{name}\n"
        for name in ("a b.iso", " lead.iso", "sub/c d.iso")
    ]
    (shelf.folder / "SHA256SUMS").write_text("".join(lines))
    answer = shelf.json("checksums", "check", folder, shelf.folder / "SHA256SUMS")
    assert answer["counts"]["equal"] == 3
    said = shelf.run("checksums", "check", shelf.folder / "SHA256SUMS", code=3).stderr
    assert "name the folder first, then the list" in " ".join(said.split())


def test_a_full_disk_keeps_what_was_finished(shelf: Shelf) -> None:
    with closing(sqlite3.connect(shelf.catalogue)) as db:
        pages = db.execute("PRAGMA page_count").fetchone()[0]
    write(shelf.home / "big.iso", make_iso({f"F{n}.TXT": b"" for n in range(4000)}).data)
    from mediashelf.catalogue import opening

    whole = opening._prepare

    def full(db: sqlite3.Connection, *arguments: object) -> None:
        whole(db, *arguments)  # type: ignore[arg-type]
        db.execute(f"PRAGMA max_page_count = {pages}")

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(opening, "_prepare", full)
        said = shelf.run("scan", code=10).stderr
    assert "the disk is full; what was finished before is kept" in " ".join(said.split())
    assert shelf.json("catalogue", "check")["findings"] == []
    assert len(shelf.json("list")["images"]) == 4
    shelf.run("scan")
    assert len(shelf.json("list")["images"]) == 5


def test_a_disk_without_room_beside_the_catalogue_is_called_full(
    shelf: Shelf, monkeypatch: pytest.MonkeyPatch
) -> None:
    from mediashelf.catalogue import opening

    def no_room(*_: object) -> None:
        error = sqlite3.OperationalError("disk I/O error")
        error.sqlite_errorname = "SQLITE_IOERR_SHMSIZE"
        raise error

    usage = shutil.disk_usage(shelf.folder)
    with monkeypatch.context() as patch:
        patch.setattr(opening, "_prepare", no_room)
        assert "disk I/O error" in shelf.run("list", code=10).stderr
        patch.setattr(shutil, "disk_usage", lambda path: usage._replace(free=4096))
        assert "the disk is full" in shelf.run("list", code=10).stderr
