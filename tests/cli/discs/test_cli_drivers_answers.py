"""What ``mediashelf drivers`` prints and refuses: terminals, quiet, mistakes, damaged files."""

from __future__ import annotations

import gc
import json
import weakref
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from driver_examples import inf_text
from drivers_runs import MACHINE, VIDEO, covers, run, run_json
from make_image import make_iso
from mediashelf.cli.main import main
from mediashelf.drivers.packages import inf_reading
from mediashelf.formats.inf.document import Inf


@pytest.mark.parametrize("width", [40, 80])
def test_lines_fit_the_terminal(folder: Path, machine: Path, width: int) -> None:
    for options in ([], ["--explain", "1"]):
        text = run(folder, "-m", machine, "-t", "nt5", *options, code=1, width=width).stdout
        # Identifiers are one word and are not broken.
        assert all(len(line) <= width or "PCI\\" in line for line in text.splitlines())


def test_quiet_prints_what_needs_attention(folder: Path, machine: Path) -> None:
    text = run(folder, "-m", machine, "-t", "win9x", "-q", code=1).stdout
    assert text.startswith("error device-without-driver")
    run(folder, "-t", "win9x", "-q", "--fail-on", "never")


def test_names_from_discs_reach_the_terminal_as_escapes(tmp_path: Path) -> None:
    folder = tmp_path / "d"
    folder.mkdir()
    text = inf_text(VIDEO, copies="CopyFiles=@a\x1b[31m.sys", files="b.sys=1")
    (folder / "l.inf").write_bytes(text.replace("Larkspur", "\x1b]0;x\x07").encode("latin-1"))
    output = run(folder, "-t", "win9x", code=1).output
    assert "\x1b" not in output and "\x07" not in output
    assert "a\\x1b[31m.sys" in output


@pytest.mark.parametrize(
    ("arguments", "code", "message"),
    [
        (["none.iso", "-t", "win9x"], 3, "none.iso"),
        (["{folder}"], 2, "--target"),
        (["{folder}", "-t", "win97"], 7, "win97"),
        (
            ["{folder}", "-t", "nt5", "--release", "6.0"],
            2,
            "has a release 6.0 (known: 5.0, 5.1, 5.2)",
        ),
        (["{folder}", "-t", "nt5", "--release", "five"], 2, "not a release such as 5.1"),
        (["{folder}", "-t", "nt5", "--code-page", "cp0"], 2, "cp0"),
        (["{folder}", "-t", "nt5", "--code-page", "hex"], 2, "hex"),
        (["{folder}", "-t", "nt5", "--explain", "1"], 2, "--machine"),
        (["{folder}", "-t", "nt5", "-m", "{machine}", "--explain", "9"], 2, "'9'"),
        (["{folder}", "-t", "nt5", "-m", "none.txt"], 3, "none.txt"),
        ([], 2, "FOLDER|IMAGE|RECIPE"),
    ],
)
def test_mistakes_are_named(
    folder: Path, machine: Path, arguments: list[str], code: int, message: str
) -> None:
    filled = [word.format(folder=folder, machine=machine) for word in arguments]
    result = run(*filled, code=code)
    assert message in result.output
    assert "Traceback" not in result.output


def test_a_file_that_is_no_image_is_a_finding(tmp_path: Path) -> None:
    path = tmp_path / "x.iso"
    path.write_bytes(b"hello")
    answer = run_json(path, "-t", "win9x", code=1)
    rules = [finding["rule"] for finding in answer["findings"]]
    assert "no-tree-for-target" in rules and "no-volume" in rules


def test_an_empty_folder_has_no_packages(tmp_path: Path, machine: Path) -> None:
    empty = tmp_path / "empty"
    empty.mkdir()
    assert "win9x: 0 INF packages" in run(empty, "-t", "win9x").stdout
    assert "0 of 3 devices" in run(empty, "-t", "win9x", "-m", machine, code=1).stdout


def test_help_has_examples() -> None:
    text = run("--help").stdout
    assert "lspci -nnvmm > machine.txt" in text
    assert "Signatures are not verified" in text


def test_each_text_is_parsed_once_and_not_kept_for_ever(
    folder: Path, machine: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The sources, the planned disc and two targets show the same three INFs."""
    parsed: list[weakref.ref[Inf]] = []
    parse = inf_reading.parse_inf

    def counted(data: bytes, **options: Any) -> Inf:
        inf = parse(data, **options)
        parsed.append(weakref.ref(inf))
        return inf

    monkeypatch.setattr(inf_reading, "parse_inf", counted)
    for known in ("_PARSED", "_BY_PLACE"):
        monkeypatch.setattr(inf_reading, known, weakref.WeakValueDictionary())
    recipe = tmp_path / "one.toml"
    recipe.write_text(f'machine = "{machine.name}"\n[[folder]]\nfrom = "drivers"\n')
    run(recipe, "-t", "win9x", "-t", "nt5", code=1)
    assert len(parsed) == len(list(folder.rglob("*.inf")))
    gc.collect()
    assert [one() for one in parsed] == [None] * len(parsed)


def test_what_a_person_should_know_of_the_sources(tmp_path: Path) -> None:
    recipe = tmp_path / "disc.toml"
    recipe.write_text("".join(f'[[folder]]\nfrom = "{name}"\nto = "/{name}"\n' for name in "ab"))
    for path in ("a/README.TXT", "a/.DS_Store", "a/sub/Thumbs.db", "a/sub/.DS_Store"):
        file = tmp_path / path
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_bytes(b"x")
    (tmp_path / "b").mkdir()
    for command in (["drivers", recipe, "-t", "win9x"], ["build", recipe, "-n"], ["check", recipe]):
        result = CliRunner().invoke(main, [*map(str, command), "--json"])
        assert result.exit_code == 0, result.output
        answer = json.loads(result.stdout)
        found = {
            (one["where"], one["message"])
            for one in (answer.get("inputs") or [answer])[0]["findings"]
            if one["rule"] in ("leftover-files", "source-without-files")
        }
        left = "left by a desktop, no part of the disc"
        assert found == {
            (str(tmp_path / "b"), "it has no files"),
            ("/a/.DS_Store", f"2 files named .DS_Store: {left}"),
            ("/a/sub/Thumbs.db", f"1 file named Thumbs.db: {left}"),
        }


def test_a_file_past_the_end_of_the_image_covers_nothing(machine: Path, tmp_path: Path) -> None:
    """The directory names a whole file; the image was copied in part (ECMA-119 9.1.4)."""
    made = make_iso(
        {"LKV/LKV.INF": inf_text(VIDEO).encode("cp1252"), "LKV/LKV.SYS": b"driver" * 2000}
    )
    whole, part = tmp_path / "whole.iso", tmp_path / "part.iso"
    whole.write_bytes(made.data)
    part.write_bytes(made.data[: made.data.rindex(b"driver")])
    options = ("-m", machine, "-t", "win9x")
    assert covers(run_json(whole, *options, code=1))[0] == ("covered", "/LKV/LKV.INF")
    assert covers(run_json(part, *options, code=1))[0] == ("incomplete", "/LKV/LKV.INF")
    text = " ".join(run(part, *options, code=1).stdout.split())
    assert "/LKV/LKV.SYS is needed, and bytes of it are past the end of the image" in text


def test_a_file_that_is_there_and_cut_is_not_called_missing(tmp_path: Path) -> None:
    folder = tmp_path / "drivers"
    folder.mkdir()
    text = inf_text(
        VIDEO, copies="CopyFiles=@lkv.sys,@lkvx.dll", files="lkv.sys=1,,45000\r\nlkvx.dll=1"
    )
    (folder / "LKV.INF").write_bytes(text.encode("cp1252"))
    (folder / "lkv.sys").write_bytes(bytes(300))
    (tmp_path / "machine.txt").write_text(MACHINE, "utf-8")
    out = run(folder, "-m", tmp_path / "machine.txt", "-t", "win9x", code=1).output
    assert "incomplete, lacks lkv.sys (cut short), lkvx.dll: " in out
    assert "1 of 2 files cut short, 1 missing" in out
