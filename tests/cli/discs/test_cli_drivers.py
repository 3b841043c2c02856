"""``mediashelf drivers`` as a person runs it: what covers each device, and why."""

from __future__ import annotations

import shutil
from pathlib import Path

from click.testing import CliRunner

from driver_examples import inf_text
from drivers_runs import LAN, VIDEO, covers, run, run_json
from make_image import make_iso
from mediashelf.cli.main import main

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
