"""``mediashelf drivers`` as a person runs it: folders, recipes and images; text and JSON."""

from __future__ import annotations

import gc
import json
import shutil
import weakref
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from driver_examples import inf_text
from make_image import make_iso
from mediashelf.cli.main import main
from mediashelf.drivers.packages import inf_reading
from mediashelf.formats.inf.document import Inf

VIDEO, SOUND, LAN = (
    "PCI\\VEN_F2C4&DEV_0301",
    "PCI\\VEN_F3D7&DEV_1600",
    "PCI\\VEN_F4B9&DEV_0100",
)

MACHINE = """\
Slot:\t01:00.0
Class:\tVGA compatible controller [0300]
Vendor:\tLarkspur Video [f2c4]
Device:\tAccelerator 3 [0301]
SVendor:\tLarkspur Video [f2c4]
SDevice:\tTall board [001e]
Rev:\t03

Slot:\t00:0a.0
Class:\tMultimedia audio controller [0401]
Vendor:\tQuillon Audio [f3d7]
Device:\tAudio 16 [1600]

Slot:\t00:0b.0
Class:\tEthernet controller [0200]
Vendor:\tTernfield [f4b9]
Device:\tLAN [0100]
"""


def run(*arguments: str | Path, code: int = 0, width: int = 100) -> Result:
    words = [str(argument) for argument in arguments]
    result = CliRunner().invoke(main, ["drivers", *words], env={"COLUMNS": str(width)})
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    assert result.exit_code == code, result.output
    return result


def run_json(*arguments: str | Path, code: int = 0) -> Any:
    text = run(*arguments, "--json", code=code).stdout
    assert text.isascii()
    return json.loads(text)


@pytest.fixture
def machine(tmp_path: Path) -> Path:
    path = tmp_path / "machine.txt"
    path.write_text(MACHINE)
    return path


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Three packages; the one for sound names a file that is not there."""
    top = tmp_path / "drivers"
    for name, text, files in [
        ("Larkspur Video/lkv.inf", inf_text(f"{VIDEO}&SUBSYS_001EF2C4"), ["lkv.sys"]),
        ("Old Larkspur/lkv.inf", inf_text(VIDEO, version="01/01/2003,9.0.0.0"), ["lkv.sys"]),
        (
            "Quillon/qla.inf",
            inf_text(
                SOUND, copies="CopyFiles=@qla.sys,@qlsynth.sys", files="qla.sys=1\r\nqlsynth.sys=1"
            ),
            ["qla.sys"],
        ),
    ]:
        path = top / name
        path.parent.mkdir(parents=True)
        path.write_bytes(text.encode("cp1252"))
        for file in files:
            path.with_name(file).write_bytes(name.encode())
    return top


def covers(answer: Any) -> list[tuple[str, str]]:
    return [
        (device["cover"], device["package"]["inf"] if device["package"] else "")
        for device in answer["targets"][0]["devices"]
    ]


EXPECTED = [
    ("covered", "/Larkspur Video/lkv.inf"),
    ("incomplete", "/Quillon/qla.inf"),
    ("none", ""),
]


def test_devices_packages_and_missing_files(folder: Path, machine: Path) -> None:
    text = run(folder, "-m", machine, "-t", "win9x", code=1).stdout
    assert text.startswith("win9x: 1 of 3 devices covered, 1 incomplete, 1 without a driver\n")
    assert "1 Larkspur Video Accelerator 3 (01:00.0)\n" in text
    assert "covered: /Larkspur Video/lkv.inf [Install]\n" in text
    assert "incomplete, lacks qlsynth.sys: /Quillon/qla.inf [Install]\n" in text
    assert "for device 2; 1 of 2 files missing\n" in text
    assert "error device-without-driver [win9x]" in text
    assert "qlsynth.sys is needed and is not at /Quillon/qlsynth.sys" in text
    assert text.endswith("2 errors; signatures not verified\n")


def test_json_shape(folder: Path, machine: Path) -> None:
    answer = run_json(folder, "-m", machine, "-t", "nt5", code=1)
    assert (answer["command"], answer["version"]) == ("drivers", 1)
    assert set(answer) == {"command", "version", "machine", "targets", "findings"}
    device = answer["machine"]["devices"][0]
    assert device["hardware_ids"][0] == f"{VIDEO}&SUBSYS_001EF2C4&REV_03"
    assert device["class"] == "display"
    (target,) = answer["targets"]
    assert (target["family"], target["release"], target["architecture"]) == ("nt5", "5.1", "x86")
    best = target["devices"][0]["package"]
    assert (best["rank"], best["identifier_score"], best["feature_score"]) == (1, 1, None)
    assert (best["section"], best["identifier"]) == ("Install", f"{VIDEO}&SUBSYS_001EF2C4")
    (other,) = target["devices"][0]["others"]
    assert (other["inf"], other["lost_by"]) == ("/Old Larkspur/lkv.inf", "rank")
    (sound,) = [one for one in target["packages"] if one["inf"] == "/Quillon/qla.inf"]
    assert [(file["name"], file["state"]) for file in sound["files"]] == [
        ("qla.sys", "present"),
        ("qlsynth.sys", "missing"),
    ]
    rules = {finding["rule"] for finding in answer["findings"]}
    assert rules == {"device-without-driver", "driver-file-missing"}


def test_a_built_disc_covers_what_its_folder_does(
    folder: Path, machine: Path, tmp_path: Path
) -> None:
    recipe = tmp_path / "disc.toml"
    recipe.write_text('targets = ["win9x"]\n[[folder]]\nfrom = "drivers"\n')
    disc = tmp_path / "disc.iso"
    built = CliRunner().invoke(main, ["build", str(recipe), "-o", str(disc), "-q"])
    assert built.exit_code == 0, built.output
    # The recipe's own targets are taken where none is named.
    from_recipe = run_json(recipe, "-m", machine, code=1)
    from_folder = run_json(folder, "-m", machine, "-t", "win9x", code=1)
    from_disc = run_json(disc, "-m", machine, "-t", "win9x", code=1)
    assert covers(from_disc) == covers(from_folder) == covers(from_recipe) == EXPECTED
    for one in (from_recipe, from_disc):
        assert one["targets"][0]["devices"][0]["package"]["section"] == "Install"
        assert [{**package, "source": ""} for package in one["targets"][0]["packages"]] == [
            {**package, "source": ""} for package in from_folder["targets"][0]["packages"]
        ]
    assert [finding["message"] for finding in from_disc["findings"]] == [
        finding["message"] for finding in from_folder["findings"]
    ]


def long_name_disc(path: Path) -> Path:
    text = inf_text(VIDEO, copies="CopyFiles=@longfilename.sys", files="longfilename.sys=1")
    made = make_iso(
        {"LKV/LKV.INF": text.encode(), "LKV/LONGFI_1.SYS": b"driver"},
        joliet=3,
        long_names={"LKV/LONGFI_1.SYS": "longfilename.sys"},
    )
    path.write_bytes(made.data)
    return path


def test_a_long_name_under_joliet_only(tmp_path: Path, machine: Path) -> None:
    disc = long_name_disc(tmp_path / "disc.iso")
    answer = run_json(disc, "-t", "win9x")
    assert answer["findings"] == []
    assert answer["machine"] is None
    answer = run_json(disc, "-t", "dos")
    assert answer["findings"] == []  # an INF says nothing to DOS


OLD_NT = """
title = "An older NT"
based_on = "nt4"

[limits.trees]
value = ["iso9660"]
source = "Microsoft KB Q142372"
"""

ALONE = """
title = "A system of our own"

[limits.trees]
value = ["iso9660"]
source = "tried"
"""


def own_target(folder: Path, text: str) -> list[object]:
    """Return the options that name a target of the user's."""
    targets = folder / "targets"
    targets.mkdir()
    (targets / "own.toml").write_text(text)
    return ["-t", "own", "--targets-folder", targets]


def test_a_target_takes_its_family_from_what_it_is_based_on(tmp_path: Path) -> None:
    options = own_target(tmp_path, OLD_NT)
    disc = long_name_disc(tmp_path / "disc.iso")
    answer = run_json(disc, *options, code=1)
    assert answer["targets"][0]["family"] == "nt4"
    assert [finding["rule"] for finding in answer["findings"]] == ["driver-file-name-hidden"]


def test_a_target_says_its_family_or_how_to_say_it_is_told(tmp_path: Path) -> None:
    options = own_target(tmp_path, ALONE)
    disc = long_name_disc(tmp_path / "disc.iso")
    message = " ".join(run(disc, *options, code=7).output.split())
    assert (
        "no driver family is known for target 'own'; put family = \"nt5\" into its file" in message
    )
    assert run_json(disc, *options, "--family", "nt4", code=1)["targets"][0]["family"] == "nt4"
    file = tmp_path / "targets" / "own.toml"
    file.write_text(f'family = "nt5"\n{ALONE}')
    assert run_json(disc, *options, code=1)["targets"][0]["family"] == "nt5"
    file.write_text(f'family = "nt55"\n{ALONE}')
    message = " ".join(run(disc, *options, code=7).output.split())
    assert "own.toml: family is 'nt55', expected one of dos, win9x, nt4, nt5, nt6; did" in message


def test_explanation(folder: Path, machine: Path) -> None:
    text = run(folder, "-m", machine, "-t", "nt5", "--explain", "01:00.0", code=1).stdout
    assert text.splitlines()[0] == (
        "device 1 (01:00.0) Larkspur Video Accelerator 3, for nt5 (5.1 on x86)"
    )
    wins, loses = text.index("wins: /Larkspur Video/lkv.inf"), text.index("loses: /Old Larkspur")
    assert wins < loses
    assert f"rank 0x0001: {VIDEO}&SUBSYS_001EF2C4, hardware id 2 of the device" in text
    assert f"     2 {VIDEO}&SUBSYS_001EF2C4\n" in text
    assert "because 0x0003 is higher than 0x0001; lower wins" in text
    assert "  covered\n" in text
    incomplete = run(folder, "-m", machine, "-t", "nt5", "--explain", "2", code=1).stdout
    assert "  incomplete, lacks qlsynth.sys\n" in incomplete
    six = run(folder, "-m", machine, "-t", "nt6", "--explain", "1", code=1).stdout
    assert "rank 0xff0001" in six
    nothing = run(folder, "-m", machine, "-t", "nt5", "--explain", "LAN", code=1).stdout
    assert "no package here has one of these ids" in nothing
    answer = run_json(folder, "-m", machine, "-t", "nt5", "--explain", "2", code=1)
    assert [device["number"] for device in answer["targets"][0]["devices"]] == [2]


def test_explanation_of_packages_for_other_families(folder: Path, machine: Path) -> None:
    other = folder / "Lan" / "tlan.inf"
    other.parent.mkdir()
    other.write_text(inf_text(LAN, signature="$Windows NT$"))
    text = run(folder, "-m", machine, "-t", "win9x", "--explain", "3", code=1).stdout
    assert "not for win9x: /Lan/tlan.inf, its signature is not for this family" in text


def test_several_sources_and_targets(folder: Path, machine: Path, tmp_path: Path) -> None:
    more = tmp_path / "more"
    more.mkdir()
    (more / "tlan.inf").write_text(inf_text(LAN))
    (more / "lkv.sys").write_bytes(b"x")
    (folder / "Quillon" / "qlsynth.sys").write_bytes(b"x")
    result = run(folder, more, "-m", machine, "-t", "win9x", "-t", "nt5")
    assert result.stdout.count("3 of 3 devices covered") == 2
    covered = f"covered: {more}:/tlan.inf [Install]"  # a long path is broken over lines
    assert "".join(covered.split()) in "".join(result.stdout.split())


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


def test_forty_packages_for_twelve_devices(tmp_path: Path) -> None:
    """Twelve devices, three packages each and four strangers: the best one wins everywhere."""
    machine = tmp_path / "machine.txt"
    ids = [f"PCI\\VEN_F2C4&DEV_{0x300 + number:04X}" for number in range(12)]
    machine.write_text("".join(f"{text}&SUBSYS_0001F2C4&REV_01\n\n" for text in ids))
    top = tmp_path / "d"
    for number in range(40):
        chip = ids[number % 12] if number < 36 else "PCI\\VEN_F5AA&DEV_0001"
        # Of three packages the middle one names the board, the last one is the newest.
        text = f"{chip}&SUBSYS_0001F2C4" if 12 <= number < 24 else chip
        package = top / f"Package {number:02}"
        package.mkdir(parents=True)
        inf = inf_text(text, version=f"01/01/{1990 + number // 12},1.0.0.0")
        (package / "lkv.inf").write_text(inf, newline="")
        if number != 13:
            (package / "lkv.sys").write_bytes(bytes([number]))
    disc = tmp_path / "d.iso"
    built = CliRunner().invoke(main, ["build", str(top), "-o", str(disc), "-q", "-t", "win9x"])
    assert built.exit_code == 0, built.output
    answers = [run_json(path, "-m", machine, "-t", "win9x", code=1) for path in (top, disc)]
    for answer in answers:
        assert covers(answer) == [
            ("covered" if number != 1 else "incomplete", f"/Package {12 + number:02}/lkv.inf")
            for number in range(12)
        ]
        errors = [one["where"] for one in answer["findings"] if one["severity"] == "error"]
        assert errors == ["/Package 13/lkv.inf line 10"]
        # The first and the third package of a chip are one package in two versions.
        notes = [one["where"] for one in answer["findings"] if one["severity"] == "note"]
        assert notes == [f"/Package {number:02}/lkv.inf" for number in range(12)]
    shutil.rmtree(top)


def test_help_has_examples() -> None:
    text = run("--help").stdout
    assert "lspci -nnvmm > machine.txt" in text
    assert "Signatures are not verified" in text


def test_a_recipe_brings_its_own_machine(folder: Path, machine: Path, tmp_path: Path) -> None:
    recipe = tmp_path / "disc.toml"
    recipe.write_text(
        f'label = "D"\ntargets = ["win9x"]\nmachine = "{machine.as_posix()}"\n\n[[folder]]\n'
        f'from = "{folder.as_posix()}"\nto = "/"\n'
    )
    named = run(folder, "-m", machine, "-t", "win9x", code=1).stdout
    own = run(recipe, code=1).stdout
    assert "of 3 devices covered" in own
    assert own.splitlines()[0] == named.splitlines()[0]


def test_several_files_describe_one_machine(folder: Path, machine: Path, tmp_path: Path) -> None:
    more = tmp_path / "more.txt"
    more.write_text("USB\\VID_F1B2&PID_0003\n\nwhat is this\n")
    answer = run_json(folder, "-m", machine, "-m", more, "-t", "win9x", code=1)
    assert answer["machine"]["name"] == f"{machine.name} + more.txt"
    assert covers(answer) == [*EXPECTED, ("none", "")]
    assert "more.txt line 3" in [one["where"] for one in answer["findings"]]
    recipe = tmp_path / "two.toml"
    recipe.write_text(
        f'targets = ["win9x"]\nmachine = ["{machine.name}", "more.txt"]\n'
        '[[folder]]\nfrom = "drivers"\n'
    )
    assert covers(run_json(recipe, code=1)) == covers(answer)
    recipe.write_text(recipe.read_text().replace('"more.txt"', "7"))
    assert "machine" in run(recipe, code=5).output


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
