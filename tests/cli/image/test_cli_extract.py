"""``mediashelf extract``: whole, safe, read back, and never over anything."""

from __future__ import annotations

import hashlib
import io
import json
import os
import tarfile
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from build_trees import DATE, write_zip
from cli_runs import Shelf
from make_image import make_iso
from make_wrappings import NEED_LIBARCHIVE, WRAPPINGS, make_zip
from mediashelf.cli.main import main
from mediashelf.files import host_name

FILES = {
    "LAN/TERNFLD.INF": b"[Version]\r\n" * 30,
    "LAN/TERNFLD.SYS": bytes(range(256)) * 300,
    "LAN/OLD/EMPTY.TXT": b"",
    "README.TXT": b"Ternfield LAN",
}


@pytest.fixture
def top(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    return tmp_path


def run(*arguments: str) -> Result:
    return CliRunner().invoke(main, ["extract", *arguments])


def tree_of(folder: Path) -> dict[str, bytes]:
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in folder.rglob("*")
        if path.is_file()
    }


@pytest.mark.parametrize("name", WRAPPINGS)
def test_everything_comes_out_of_every_wrapping(top: Path, name: str) -> None:
    if name in NEED_LIBARCHIVE:
        pytest.importorskip("libarchive")
    (top / name).write_bytes(WRAPPINGS[name](FILES))
    before = (top / name).read_bytes()
    result = run(name, "-o", "out")
    assert result.exit_code == 0, result.output
    assert tree_of(top / "out") == FILES
    assert (top / name).read_bytes() == before
    assert sorted(path.name for path in top.iterdir()) == sorted([name, "out"])
    result = run(name, "lan/ternfld.inf", "LAN/OLD", "-o", "some")
    assert result.exit_code == 0, result.output
    assert tree_of(top / "some") == {
        "TERNFLD.INF": FILES["LAN/TERNFLD.INF"],
        "OLD/EMPTY.TXT": b"",
    }


@pytest.mark.parametrize("root", ["/", ".", "\\"])
def test_the_root_means_everything(top: Path, root: str) -> None:
    (top / "pack.zip").write_bytes(make_zip(FILES))
    result = run("pack.zip", root, "-o", "out")
    assert result.exit_code == 0, result.output
    assert tree_of(top / "out") == FILES


def test_the_answer_as_json(top: Path) -> None:
    (top / "pack.zip").write_bytes(make_zip(FILES))
    answer: dict[str, Any] = json.loads(run("pack.zip", "README.TXT", "-o", "o", "--json").stdout)
    assert answer == {
        "command": "extract",
        "version": 1,
        "source": "pack.zip",
        "form": "ZIP archive",
        "folder": "o",
        "files": [
            {
                "path": "README.TXT",
                "to": "README.TXT",
                "size": 13,
                "sha256": hashlib.sha256(FILES["README.TXT"]).hexdigest(),
            }
        ],
        "folder_count": 0,
        "size": 13,
        "findings": [],
    }
    assert (top / "o" / "README.TXT").stat().st_mtime == DATE


def test_nothing_is_replaced(top: Path) -> None:
    (top / "pack.zip").write_bytes(make_zip(FILES))
    (top / "out").mkdir()
    (top / "out" / "README.TXT").write_bytes(b"mine")
    result = run("pack.zip", "-o", "out")
    assert result.exit_code == 9
    assert "README.TXT: exists already" in result.stderr
    assert tree_of(top / "out") == {"README.TXT": b"mine"}
    assert run("pack.zip", "LAN", "-q", "-o", "out").output == ""
    assert set(tree_of(top / "out")) == set(FILES)
    assert run("pack.zip", "-o", "pack.zip").exit_code == 9


def test_a_link_in_the_folder_leads_nowhere(top: Path) -> None:
    (top / "pack.zip").write_bytes(make_zip(FILES))
    (top / "elsewhere").mkdir()
    (top / "out").mkdir()
    (top / "out" / "LAN").symlink_to(top / "elsewhere")
    assert run("pack.zip", "-o", "out").exit_code == 9
    assert list((top / "elsewhere").iterdir()) == []


def test_composed_letters_are_one_name_on_some_hosts(top: Path) -> None:
    write_zip(top / "pack.zip", [("caf\u00e9.txt", b"1"), ("cafe\u0301.txt", b"2")])
    assert "name-changed-for-host" in run("pack.zip", "-o", "out").output
    assert sorted(path.read_bytes() for path in (top / "out").iterdir()) == [b"1", b"2"]
    assert any(path.name.endswith("~2.txt") for path in (top / "out").iterdir())


def test_hostile_names_stay_below_the_folder(top: Path) -> None:
    write_zip(
        top / "bad.zip",
        [
            ("../evil.txt", b"1"),
            ("/etc/evil.txt", b"2"),
            ("C:\\evil.txt", b"3"),
            ("aux.txt", b"4"),
            ("tab\tand\x1b[31m.txt", b"5"),
            ("dots...", b"6"),
            ("a:b.txt", b"7"),
            ("same.txt", b"8"),
            ("SAME.TXT", b"9"),
            ("same.txt", b"10"),
            ("x" * 250 + ".txt", b"11"),
        ],
    )
    result = run("bad.zip", "-o", "out")
    assert result.exit_code == 1  # three members were left out
    assert "\x1b" not in result.output
    assert tree_of(top / "out") == {
        "_aux.txt": b"4",
        "tab_and_[31m.txt": b"5",
        "dots___": b"6",
        "same.txt": b"8",
        "SAME~2.TXT": b"9",
        "same~3.txt": b"10",
        "x" * 200: b"11",
    }
    assert not list(top.glob("**/evil*"))
    assert "member-name-unsafe" in result.output
    assert "name-changed-for-host" in result.output


def test_links_of_a_tar_are_left_out(top: Path) -> None:
    data = io.BytesIO()
    with tarfile.open(fileobj=data, mode="w") as archive:
        for name, kind in (("link", tarfile.SYMTYPE), ("hard", tarfile.LNKTYPE)):
            header = tarfile.TarInfo(name)
            header.type, header.linkname = kind, "/etc/passwd"
            archive.addfile(header)
        header = tarfile.TarInfo("link/below.txt")
        header.size = 1
        archive.addfile(header, io.BytesIO(b"x"))
    (top / "pack.tar").write_bytes(data.getvalue())
    result = run("pack.tar", "-o", "out")
    assert result.exit_code == 0, result.output
    assert result.output.count("it is a link") == 2
    assert tree_of(top / "out") == {"link/below.txt": b"x"}


def test_what_is_damaged_is_named_and_the_rest_is_there(top: Path) -> None:
    data = bytearray(make_zip(FILES, 0))
    data[data.index(b"Ternfield LAN")] ^= 1
    (top / "pack.zip").write_bytes(data)
    result = run("pack.zip", "-o", "out")
    assert result.exit_code == 1
    assert "README.TXT: not extracted: its CRC is" in result.output
    assert set(tree_of(top / "out")) == set(FILES) - {"README.TXT"}


@pytest.mark.parametrize("is_damaged", [True, False])
def test_what_to_do_depends_on_why_a_file_stays_in_the_archive(top: Path, is_damaged: bool) -> None:
    """Another copy of an encrypted file is encrypted as well."""
    data = bytearray(make_zip(FILES, 0))
    if is_damaged:
        data[data.index(b"Ternfield LAN")] ^= 1
    else:
        for signature, place in ((b"PK\3\4", 6), (b"PK\1\2", 8)):  # the flags; bit 0 is for it
            data[data.index(signature) + place] |= 1
    (top / "pack.zip").write_bytes(data)
    result = run("pack.zip", "-o", "out")
    assert result.exit_code == 1
    assert ("to do: get the archive again" in result.output) is is_damaged
    assert ("to do: Unpack it on a system that can" in result.output) is not is_damaged


@pytest.mark.parametrize(
    ("arguments", "code", "words"),
    [
        (["none.zip"], 3, "none.zip"),
        (["pack.zip", "WIFI"], 3, "has no file or folder 'WIFI'"),
        (["text.txt"], 3, "is neither a folder nor an image or archive"),
        (["pack.zip", "--tree", "udf"], 3, "which has no UDF tree"),
    ],
)
def test_what_cannot_be_done_leaves_nothing(
    top: Path, arguments: list[str], code: int, words: str
) -> None:
    (top / "pack.zip").write_bytes(make_zip(FILES))
    (top / "text.txt").write_text("text")
    result = run(*arguments, "-o", "out")
    assert result.exit_code == code, result.output
    assert words in result.stderr
    assert not (top / "out").exists()


def test_a_stopped_run_leaves_nothing(top: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (top / "pack.zip").write_bytes(make_zip(FILES))
    monkeypatch.setattr(os, "fsync", lambda number: (_ for _ in ()).throw(KeyboardInterrupt))
    assert run("pack.zip", "-o", "out").exit_code == 130
    assert [path.name for path in top.iterdir()] == ["pack.zip"]


def test_a_full_disk_is_said(top: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (top / "pack.zip").write_bytes(make_zip(FILES))

    def full(number: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    result = run("pack.zip", "-o", "out")
    assert result.exit_code == 9
    assert "out: cannot be written: No space left on device" in result.stderr
    assert not (top / "out").exists()


def test_an_image_on_a_shelf_goes_by_its_name(tmp_path: Path) -> None:
    shelf = Shelf(tmp_path)
    shelf.home.mkdir()
    (shelf.home / "kiosk.iso").write_bytes(make_iso(FILES).data)
    shelf.run("shelf", "add", shelf.home)
    shelf.run("scan")
    shelf.run("extract", "home:kiosk.iso:/LAN", "TERNFLD.INF", "-o", tmp_path / "out")
    assert tree_of(tmp_path / "out") == {"TERNFLD.INF": FILES["LAN/TERNFLD.INF"]}


@pytest.mark.parametrize(
    ("name", "safe"),
    [
        ("README.TXT", "README.TXT"),
        ("Türen.txt", "Türen.txt"),
        ("con", "_con"),
        ("LPT1.SYS", "_LPT1.SYS"),
        ("console.txt", "console.txt"),
        ("a/b", "a_b"),
        ("end. .", "end___"),
        ("\ud800\u202e", "__"),
        (".x.mediashelf-partial", "_.x.mediashelf-partial"),
    ],
)
def test_names_for_the_host(name: str, safe: str) -> None:
    assert host_name(name) == safe


def test_a_folder_for_what_is_too_deep_makes_no_tree_the_fullest(top: Path) -> None:
    """ISO 9660 has /DEEP then, a folder more than Joliet, whose names are the long ones."""
    path = "Handbook of tides/b/c/d/e/f/g/h/Read this first.txt"
    (top / "source" / path).parent.mkdir(parents=True)
    (top / "source" / path).write_bytes(b"tide table")
    CliRunner().invoke(main, ["build", "source", "-o", "disc.iso"], catch_exceptions=False)
    result = run("disc.iso", "-o", "out")
    assert result.exit_code == 0, result.output
    assert (top / "out" / path).read_bytes() == b"tide table"
