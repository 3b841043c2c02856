"""The command ``mediashelf checksums`` as a person runs it."""

from __future__ import annotations

import json
import os
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from mediashelf.cli.main import main

# Windows refuses control characters in names; elsewhere one that could steer a terminal.
THREE = "sub/three.iso" if os.name == "nt" else "sub/three \x1b[31m.iso"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    root = tmp_path / "isos"
    for name in ("one.iso", "sub/two.iso", THREE):
        path = root / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(name.encode() * 100)
    return root


def run(*arguments: str | Path) -> Result:
    return CliRunner().invoke(main, ["checksums", *map(str, arguments)])


def test_write_then_check(folder: Path) -> None:
    done = run("write", folder)
    assert done.exit_code == 0
    assert "3 files" in " ".join(done.stdout.split())
    assert (folder / "SHA256SUMS").read_text().count("\n") == 3
    done = run("check", folder)
    assert done.exit_code == 0
    assert "3 names in 1 list: 3 equal. 0 files here in no list." in done.stdout
    assert run("check", folder, "--quiet").output == ""


def test_a_list_is_not_replaced_unless_told(folder: Path) -> None:
    run("write", folder)
    done = run("write", folder)
    assert done.exit_code == 9
    assert "exists already" in done.stderr
    assert run("write", folder, "--replace").exit_code == 0


def test_what_is_wrong_is_named_and_the_exit_code_follows(folder: Path) -> None:
    run("write", folder)
    (folder / "one.iso").write_bytes(b"other")
    (folder / "sub/two.iso").rename(folder / "moved.iso")
    (folder / "new.iso").write_bytes(b"new")
    done = run("check", folder)
    assert done.exit_code == 1
    text = " ".join(done.stdout.split())
    assert "error file-matches-its-list one.iso:" in text
    assert "not here, but moved.iso has its sha256 digest" in text
    assert "1 equal, 1 different, 1 renamed. 1 file here in no list." in text
    assert "\x1b" not in done.output
    assert run("check", folder, "--fail-on", "never").exit_code == 0
    (folder / "one.iso").write_bytes(b"one.iso" * 100)
    assert run("check", folder).exit_code == 0  # a renamed file is a warning
    assert run("check", folder, "--fail-on", "warning").exit_code == 1


@pytest.mark.parametrize("algorithm", ["md5", "b2", "xxh3_128", "xxh3_64", "crc32"])
def test_every_algorithm_is_read_back_without_naming_the_list(folder: Path, algorithm: str) -> None:
    assert run("write", folder, "--algorithm", algorithm).exit_code == 0
    done = run("check", folder, "--json")
    assert done.exit_code == 0
    document = json.loads(done.stdout)
    assert document["counts"]["equal"] == 3
    assert {row["algorithm"] for row in document["names"]} == {algorithm}


def test_json_has_every_name_and_finding(folder: Path) -> None:
    written = json.loads(run("write", folder, "--json").stdout)
    assert written | {"findings": []} == written
    assert (written["files"], written["algorithm"], written["form"]) == (3, "sha256", "plain")
    (folder / "one.iso").unlink()
    done = run("check", folder, folder / "SHA256SUMS", "--json")
    document = json.loads(done.stdout)
    assert (document["command"], document["version"]) == ("checksums check", 1)
    assert document["lists"] == [str(folder / "SHA256SUMS")]
    assert document["counts"]["absent"] == 1
    states = {row["name"]: row["state"] for row in document["names"]}
    assert states["one.iso"] == "absent"
    assert [finding["rule"] for finding in document["findings"]] == ["listed-file-is-present"]
    assert done.stdout.isascii()


def test_a_form_that_does_not_hold_the_algorithm_is_wrong_usage(folder: Path) -> None:
    done = run("write", folder, "--algorithm", "crc32", "--form", "plain")
    assert done.exit_code == 2
    assert "does not hold crc32" in done.stderr
    assert list(folder.glob("*.sfv")) == []


def test_a_list_in_a_folder_below_is_refused(folder: Path) -> None:
    done = run("write", folder, "-o", folder / "sub" / "SUMS")
    assert done.exit_code == 9
    assert not (folder / "sub" / "SUMS").exists()
    assert run("write", folder, "-o", folder.parent / "SUMS").exit_code == 0


def test_a_folder_without_a_list_is_an_error_that_tells_what_to_do(folder: Path) -> None:
    done = run("check", folder)
    assert done.exit_code == 3
    assert "mediashelf checksums write" in done.stderr
    assert run("check", folder / "absent").exit_code == 3
    assert run("check", folder, folder / "absent").exit_code == 3


def test_narrow_terminals(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "40")
    run("write", folder)
    (folder / "one.iso").write_bytes(b"other")
    done = run("check", folder)
    assert max(map(len, done.stdout.splitlines())) <= 40


def test_an_unreadable_folder_below_is_an_error(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    scandir = os.scandir

    def refuse(path: object) -> object:
        if str(path).endswith("sub"):
            raise PermissionError(13, "Permission denied")
        return scandir(path)  # type: ignore[call-overload]

    with monkeypatch.context() as patched:
        patched.setattr(os, "scandir", refuse)
        done = run("write", folder)
    assert done.exit_code == 1
    assert "folder-is-readable" in done.stdout
    run("write", folder, "-o", folder / "all.txt")
    with monkeypatch.context() as patched:
        patched.setattr(os, "scandir", refuse)
        done = run("check", folder, folder / "all.txt")
    assert done.exit_code == 1
    words = " ".join(done.stdout.split())
    assert "its folder, sub, cannot be read, so it was not looked for" in words
    assert "absent" not in words
