"""``mediashelf build`` as a person and as a program use it."""

from __future__ import annotations

import hashlib
import json
import os
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from mediashelf.cli.main import main
from mediashelf.image import open_image

DATE = 929_181_600  # 12 June 1999, 10:00 UTC
FILES = {
    "SETUP.EXE": b"setup",
    "Larkspur Video/Release notes.txt": b"notes",
    "Larkspur Video/Release news.txt": b"news!",
}


@pytest.fixture
def top(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    for name, data in FILES.items():
        path = tmp_path / "kiosk" / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data)
        os.utime(path, (DATE, DATE))
    monkeypatch.chdir(tmp_path)
    return tmp_path / "kiosk"


def run(*arguments: str | Path, width: int = 80) -> Result:
    return CliRunner().invoke(
        main, ["build", *map(str, arguments)], env={"COLUMNS": str(width)}, terminal_width=width
    )


def document(*arguments: str | Path) -> dict[str, Any]:
    result = run(*arguments, "--json")
    assert result.stdout.isascii()
    loaded: dict[str, Any] = json.loads(result.stdout)
    return loaded


def test_a_folder_becomes_a_disc(top: Path, tmp_path: Path) -> None:
    result = run(top, "-o", "disc.iso", "-t", "dos")
    assert result.exit_code == 0
    assert "kiosk (label KIOSK)" in result.stdout
    assert "4 files in 1 folder" in result.stdout
    assert "300 sectors, 614,400 bytes" in result.stdout
    assert "dos reads it" in result.stdout
    assert "disc.iso: built; read back, 4 files equal to the sources" in result.stdout
    assert result.stderr == ""
    with open_image(tmp_path / "disc.iso") as image:
        assert image.findings == ()
        assert image.facts.volumes[0].label == "KIOSK"


def test_a_dry_run_shows_the_plan_and_writes_nothing(top: Path, tmp_path: Path) -> None:
    result = run(top, "--dry-run", "--capacity", "21min")
    assert result.exit_code == 0
    assert "0.3 % of 21min (94,500 sectors)" in result.stdout
    assert "2 short names differ from the long ones" in result.stdout
    assert "/LARKSPUR/RELEASEN.TXT\n    Release news.txt" in result.stdout
    assert "/LARKSPUR/RELEAS_2.TXT\n    Release notes.txt" in result.stdout
    assert sorted(path.name for path in tmp_path.iterdir()) == ["kiosk"]


def test_the_json_form(top: Path, tmp_path: Path) -> None:
    plan = document(top, "--dry-run", "-t", "dos", "--label", "Kiosk drivers")
    assert plan["command"] == "build"
    assert plan["version"] == 2
    assert (plan["dry_run"], plan["anyway"], plan["built"]) == (True, False, None)
    assert (plan["label"], plan["long_label"]) == ("KIOSK_DRIVERS", "Kiosk drivers")
    assert plan["date"] == "1999-06-12T10:00:00+00:00"
    assert plan["targets"] == {"dos": "reads it"}
    assert plan["size"] == plan["sectors"] * 2048
    assert plan["capacity"]["sectors"] == 1_151_999
    setup = next(file for file in plan["files"] if file["long_path"] == "/SETUP.EXE")
    assert setup == {
        "short_path": "/SETUP.EXE",
        "long_path": "/SETUP.EXE",
        "source": str(top / "SETUP.EXE"),
        "size": 5,
        "is_renamed": False,
        "is_shared": False,
        "sha256": None,
    }
    assert {"padded-to-minimum", "label-changed"} <= {f["rule"] for f in plan["findings"]}

    built = document(top, "-o", "disc.iso")
    assert built["built"] == {"path": "disc.iso", "size": 614_400}
    digests = {file["long_path"]: file["sha256"] for file in built["files"]}
    assert digests["/SETUP.EXE"] == hashlib.sha256(b"setup").hexdigest()
    assert set(plan) == set(built)


def test_a_recipe_and_options_that_go_before_it(top: Path, tmp_path: Path) -> None:
    (tmp_path / "disc.toml").write_text(
        'label = "FROM_RECIPE"\ntargets = ["dos"]\ncapacity = "74min"\n\n'
        '[[folder]]\nfrom = "kiosk"\nto = "/KIOSK"\n'
    )
    plain = document("disc.toml", "--dry-run")
    assert (plain["label"], list(plain["targets"])) == ("FROM_RECIPE", ["dos"])
    assert plain["capacity"]["name"] == "74min"
    assert "/KIOSK/SETUP.EXE" in [file["long_path"] for file in plain["files"]]
    changed = document(
        "disc.toml",
        "--dry-run",
        "--label",
        "MINE",
        "-t",
        "nt5",
        "--capacity",
        "80min",
        "--no-index",
    )
    assert (changed["label"], list(changed["targets"])) == ("MINE", ["nt5"])
    assert changed["capacity"]["name"] == "80min"
    assert changed["file_count"] == plain["file_count"] - 1


def test_several_folders_keep_their_names(top: Path, tmp_path: Path) -> None:
    (tmp_path / "tools").mkdir()
    (tmp_path / "tools" / "EDIT.COM").write_bytes(b"edit")
    plan = document("kiosk", "tools", "--dry-run")
    assert {"/kiosk/SETUP.EXE", "/tools/EDIT.COM", "/INDEX.TXT"} <= {
        file["long_path"] for file in plan["files"]
    }


def test_errors_block_unless_anyway(top: Path, tmp_path: Path) -> None:
    refused = run(top, "-o", "disc.iso", "--capacity", "10 sectors")
    assert refused.exit_code == 12
    assert "error over-capacity" in refused.stdout
    assert "1 error blocks the disc; nothing was built" in refused.stderr
    assert not (tmp_path / "disc.iso").exists()
    as_json = run(top, "-o", "disc.iso", "--capacity", "10 sectors", "--json")
    assert as_json.exit_code == 12
    assert json.loads(as_json.stdout)["built"] is None
    # Built, but still with an error: the exit code says so.
    anyway = run(top, "-o", "disc.iso", "--capacity", "10 sectors", "--anyway", "--json")
    assert anyway.exit_code == 1
    loaded = json.loads(anyway.stdout)
    assert loaded["anyway"] is True
    assert loaded["built"]["size"] == (tmp_path / "disc.iso").stat().st_size
    again = run(top, "-o", "disc.iso", "--capacity", "10 sectors", "--anyway", "--replace")
    assert "built in spite of 1 error" in again.stdout
    assert run(top, "-n", "--capacity", "10 sectors", "--fail-on", "never").exit_code == 0
    assert run(top, "-n", "--capacity", "10 sectors").exit_code == 1


def test_errors_of_a_target_block_as_well(top: Path, tmp_path: Path) -> None:
    path = top.joinpath(*["x" * 60] * 5, "file.txt")  # longer than 259 characters
    path.parent.mkdir(parents=True)
    path.write_bytes(b"x")
    result = run(top, "-o", "disc.iso", "-t", "win9x", "--json")
    found = json.loads(result.stdout)
    errors = [finding for finding in found["findings"] if finding["severity"] == "error"]
    assert {finding["target"] for finding in errors} == {"win9x"}
    assert result.exit_code == 12
    assert run(top, "-o", "disc.iso", "-t", "win9x", "--anyway").exit_code == 1
    assert (tmp_path / "disc.iso").exists()


def test_an_existing_file_stays_unless_it_may_be_replaced(top: Path, tmp_path: Path) -> None:
    (tmp_path / "disc.iso").write_bytes(b"older")
    result = run(top, "-o", "disc.iso")
    assert result.exit_code == 9
    assert "--replace" in result.stderr
    assert (tmp_path / "disc.iso").read_bytes() == b"older"
    assert run(top, "-o", "disc.iso", "--replace").exit_code == 0
    assert (tmp_path / "disc.iso").stat().st_size == 614_400


@pytest.mark.parametrize(
    ("arguments", "exit_code", "message"),
    [
        (["kiosk"], 2, "-o"),
        ([], 2, "SOURCES"),
        (["missing", "-n"], 3, "missing: no such folder, archive or image"),
        (["missing.toml", "-n"], 3, "missing.toml: does not exist"),
        (["kiosk", "disc.toml", "-n"], 2, "either one recipe or folders"),
        (["kiosk", "-n", "--capacity", "lots"], 2, "neither a medium"),
        (["kiosk", "-n", "-t", "win9"], 7, "win9"),
        (["kiosk", "-n", "--boot", "missing.img"], 3, "boot image"),
        (["kiosk", "-o", "kiosk/disc.iso"], 9, "is inside"),
        (
            ["kiosk", "-o", "no/such/disc.iso"],
            9,
            f"no folder {Path('no/such')}; make it",
        ),
    ],
)
def test_what_goes_wrong_has_its_exit_code(
    top: Path, tmp_path: Path, arguments: list[str], exit_code: int, message: str
) -> None:
    (tmp_path / "disc.toml").write_text('[[folder]]\nfrom = "kiosk"\n')
    result = run(*arguments)
    assert result.exit_code == exit_code, result.output
    assert message in result.stderr
    assert not list(tmp_path.glob("*.iso"))


def test_a_boot_disc(top: Path, tmp_path: Path) -> None:
    (tmp_path / "floppy.img").write_bytes(bytes(1_474_560))
    result = run(top, "-o", "disc.iso", "--boot", "floppy.img")
    assert result.exit_code == 0
    assert "boots with an emulated floppy" in result.stdout
    (tmp_path / "loader.bin").write_bytes(bytes(4096))
    plan = document(top, "-n", "--boot", "loader.bin")
    assert plan["boot"] == {
        "image": str(tmp_path / "loader.bin"),
        "media_type": 0,
        "load_sectors": 4,
    }


def test_quiet_says_only_what_needs_attention(top: Path) -> None:
    result = run(top, "-o", "disc.iso", "-q")
    assert (result.exit_code, result.stdout, result.stderr) == (0, "", "")


@pytest.mark.skipif(os.name == "nt", reason="Windows has no controls in names of files")
def test_hostile_names_do_not_reach_the_terminal(top: Path) -> None:
    (top / "\x1b[31mred\u202e.txt").write_bytes(b"x")
    result = run(top, "-n")
    assert "\x1b" not in result.stdout
    assert "\u202e" not in result.stdout
    assert "long-name-changed" in result.stdout


def test_forty_columns(top: Path) -> None:
    result = run(top, "-n", "-t", "dos", "--capacity", "10 sectors", width=40)
    assert max(len(line) for line in result.stdout.splitlines()) <= 40


def test_help_has_examples() -> None:
    result = run("--help")
    assert result.exit_code == 0
    assert "mediashelf build drivers -o drivers.iso" in result.stdout
