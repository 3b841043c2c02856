"""``build`` with a machine: coverage, what gets lost, the tables; and ``build --spread``."""

from __future__ import annotations

import json
import os
import re
import zipfile
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from driver_packages import inf_text
from kiosk_disc import RECIPE, write_kiosk
from make_image import flip
from mediashelf.cli.main import main
from mediashelf.formats.volume import VolumeKind
from mediashelf.image import open_image


@pytest.fixture
def work(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    write_kiosk(tmp_path)
    monkeypatch.chdir(tmp_path)
    return tmp_path


def run(*arguments: str | Path, width: int = 80) -> Result:
    return CliRunner().invoke(
        main, ["build", *map(str, arguments)], env={"COLUMNS": str(width)}, terminal_width=width
    )


def document(*arguments: str | Path, exit_code: int = 0) -> dict[str, Any]:
    result = run(*arguments, "--json")
    assert result.exit_code == exit_code, result.output
    loaded: dict[str, Any] = json.loads(result.stdout)
    return loaded


def drivers(*arguments: str | Path) -> dict[str, Any]:
    command = ["drivers", *map(str, arguments), "--json", "--fail-on", "never"]
    result = CliRunner().invoke(main, command)
    assert result.exit_code == 0, result.output
    loaded: dict[str, Any] = json.loads(result.stdout)
    return loaded


def page_on(disc: Path, path: str = "/INDEX.TXT") -> str:
    with open_image(disc) as image:
        volume = image.facts.volume(VolumeKind.ISO9660)
        assert volume is not None
        entry = next(entry for entry in volume.files if entry.path == path)
        return image.read_file(entry, 1 << 20).decode("ascii").replace("\r\n", "\n")


def rules(found: dict[str, Any], severity: str) -> list[str]:
    return [one["rule"] for one in found["findings"] if one["severity"] == severity]


def test_coverage_is_shown_and_what_the_sources_lack_blocks_nothing(work: Path) -> None:
    result = run("disc.toml", "-o", "disc.iso")
    assert result.exit_code == 1  # a device without a driver is an error, and is told
    assert "win9x: 2 of 3 devices covered, 1 without a driver" in result.stdout
    assert "covered: /Larkspur Video/LKV.INF [Install]" in result.stdout
    assert "error device-without-driver [win9x]" in result.stdout
    assert "disc.iso: built; read back" in result.stdout
    assert "in spite of" not in result.stdout
    assert run("disc.toml", "-o", "disc.iso", "--replace", "--fail-on", "never").exit_code == 0


def test_the_disc_carries_the_tables(work: Path) -> None:
    run("disc.toml", "-o", "disc.iso")
    text = page_on(work / "disc.iso")
    assert (
        "Drivers for win9x on kiosk.txt: 2 of 3 devices covered, 1 without a driver\n\n"
        "communication\n  communication PCI\\VEN_F7D3&DEV_0056\n    none\n\n"
        "display\n  Larkspur Video Accelerator 3\n    covered: Larkspur: LKV.INF [Install]\n"
        "    \\LARKSPUR\\LKV.INF\n    = \\Larkspur Video\\LKV.INF\n    type D:\\LARKSPUR\n\n"
        "network\n  Ternfield LAN 10/100\n    covered: Ternfield: TERN.INF [Install]\n"
        "    \\TERNFIEL\\TERN.INF\n    = \\Ternfield LAN\\TERN.INF\n    type D:\\TERNFIEL\n\n"
        "All drivers with an INF: 2 packages\n\n"
        "Display\n  Larkspur 3\n"
        "    Larkspur: LKV.INF, 1999-03-18, version 4.10.3.204, for win9x, complete\n"
    ) in text
    html = page_on(work / "disc.iso", "/INDEX.HTM")
    assert '<A HREF="TERNFIEL/TERN.INF">' in html
    # The tables say nothing but what the drivers command finds on the disc.
    (target,) = drivers("disc.iso", "-m", "kiosk.txt", "-t", "win9x")["targets"]
    covered = [one["package"]["inf"] for one in target["devices"] if one["package"]]
    assert covered == ["/Larkspur Video/LKV.INF", "/Ternfield LAN/TERN.INF"]
    assert run("disc.toml", "-o", "bare.iso", "--no-index").exit_code == 1
    with open_image(work / "bare.iso") as image:
        assert not [e for e in image.facts.volumes[0].files if "INDEX" in e.path]


def test_the_json_form_has_the_machine_and_its_drivers(work: Path) -> None:
    found = document("disc.toml", "-n", exit_code=1)
    assert [device["slot"] for device in found["machine"]["devices"]] == [
        "01:00.0",
        "00:0b.0",
        "00:0c.0",
    ]
    (target,) = found["drivers"]
    assert [device["cover"] for device in target["devices"]] == ["covered", "covered", "none"]
    plain = document("drivers", "-n")
    assert (plain["machine"], plain["drivers"]) == (None, [])


@pytest.mark.parametrize("skip", ["Larkspur Video", "LKV.INF"])
def test_a_device_that_loses_its_driver_blocks_the_disc(work: Path, skip: str) -> None:
    (work / "disc.toml").write_text(RECIPE + f'skip = ["{skip}"]\n')
    result = run("disc.toml", "-o", "disc.iso")
    assert result.exit_code == 12
    assert "error driver-lost-on-disc [win9x]" in result.stdout
    assert re.sub(r"\s+", " ", result.stdout).count(
        "its driver in the sources, /Larkspur Video/LKV.INF, is not on the disc"
    )
    assert not (work / "disc.iso").exists()
    anyway = run("disc.toml", "-o", "disc.iso", "--anyway")
    assert anyway.exit_code == 1
    assert "built in spite of 1 error" in anyway.stdout


def test_a_driver_that_loses_a_file_blocks_the_disc(work: Path) -> None:
    (work / "disc.toml").write_text(RECIPE + 'skip = ["*.vxd"]\n')
    found = document("disc.toml", "-n", exit_code=1)
    assert rules(found, "error").count("driver-lost-on-disc") == 2


def test_a_target_of_ones_own_is_judged_by_its_family(work: Path) -> None:
    targets = work / "targets"
    targets.mkdir()
    own = targets / "win9x-bare.toml"
    row = '[limits.trees]\nvalue = ["iso9660"]\nsource = "tried"\nseverity = "warning"\n'
    own.write_text(f'based_on = "win9x"\n{row}')
    options = ("disc.toml", "-n", "-t", "win9x-bare", "--targets-folder", targets)
    found = document(*options, exit_code=1)
    assert "drivers-not-judged" not in rules(found, "note")
    assert "driver-file-name-hidden" in rules(found, "error")
    own.write_text(row)
    assert "drivers-not-judged" in rules(document(*options), "note")


def test_declared_drivers_of_dos(work: Path) -> None:
    (work / "disc.toml").write_text(
        RECIPE.replace("win9x", "dos")
        + 'skip = ["DOS"]\n\n[[folder]]\nfrom = "drivers/DOS"\nto = "/Dos drivers"\n'
        "provides = ['PCI\\VEN_F4B9&DEV_0100']\nprovides_for = [\"dos\"]\n"
        'notes = "TESTLAN needs 4 KB."\n'
    )
    result = run("disc.toml", "-o", "disc.iso")
    assert result.exit_code == 0, result.output
    assert "dos: 1 of 3 devices covered" in result.stdout
    assert "covered, as the recipe declares: /DOSDRIVE" in result.stdout
    text = page_on(work / "disc.iso")
    assert "Notes\n\n\\DOSDRIVE\n= \\Dos drivers\n  TESTLAN needs 4 KB.\n" in text
    assert (
        "network\n  Ternfield LAN 10/100\n"
        "    covered, as the recipe declares: the programs in DOSDRIVE\n"
        "    \\DOSDRIVE\n    = \\Dos drivers\n"
    ) in text


def test_options_go_before_the_recipe(work: Path) -> None:
    (work / "other.txt").write_text("PCI\\VEN_F7D3&DEV_0056\n")
    found = document("disc.toml", "-n", "-m", "other.txt", exit_code=1)
    assert [device["cover"] for device in found["drivers"][0]["devices"]] == ["none"]
    assert document("drivers", "-n", "-m", "kiosk.txt", "-t", "win9x", exit_code=1)["drivers"]


@pytest.mark.parametrize(
    ("arguments", "exit_code", "message"),
    [
        (["drivers", "-n", "-m", "kiosk.txt"], 2, "name one with --target"),
        (["drivers", "-n", "-m", "missing.txt", "-t", "dos"], 3, "missing.txt: cannot be read"),
        (["disc.toml", "--spread", "-o", "kiosk.txt"], 9, "is not a folder"),
        (
            ["disc.toml", "--spread", "-o", "no/such/folder"],
            9,
            f"there is no folder {Path('no/such')}",
        ),
        (["missing.toml", "--spread", "-o", "kiosk.txt"], 3, "missing.toml: does not exist"),
        (["disc.toml", "--spread", "-o", "drivers/discs"], 9, "is inside"),
        (["disc.toml", "--spread", "-n", "--capacity", "100 sectors"], 8, "in one piece"),
    ],
)
def test_what_goes_wrong_has_its_exit_code(
    work: Path, arguments: list[str], exit_code: int, message: str
) -> None:
    result = run(*arguments)
    assert result.exit_code == exit_code, result.output
    assert message in result.stderr
    assert not list(work.rglob("*.iso"))


def test_an_empty_machine_blocks(work: Path) -> None:
    (work / "empty.txt").write_text("")
    result = run("disc.toml", "-o", "disc.iso", "-m", "empty.txt")
    assert result.exit_code == 12
    assert "machine-without-devices" in result.stdout


# Several discs


def test_a_recipe_is_spread_over_discs(work: Path) -> None:
    result = run("disc.toml", "--spread", "--capacity", "300 sectors", "-o", "discs")
    assert result.exit_code == 1, result.output
    assert "2 discs for 300 sectors, packages whole" in result.stdout
    assert "disc 2: KIOSK (label KIOSK_2)" in result.stdout
    assert "    /Ternfield LAN (283.6 KiB)" in result.stdout
    assert "covered: disc 1:/Larkspur Video/LKV.INF [Install]" in result.stdout
    assert sorted(path.name for path in (work / "discs").iterdir()) == [
        "kiosk-1.iso",
        "kiosk-2.iso",
    ]
    text = page_on(work / "discs" / "kiosk-1.iso")
    assert "This is disc 1 of 2.\n" in text
    assert "    disc 2: \\TERNFIEL\\TERN.INF\n    = \\Ternfield LAN\\TERN.INF\n" in text
    assert "\nAll discs\n\ndisc 1: KIOSK 1 (this disc)\n" in text
    html = page_on(work / "discs" / "kiosk-2.iso", "/INDEX.HTM")
    assert "<TD>disc 1: \\LARKSPUR\\LKV.INF<BR>type D:\\LARKSPUR</TD>" in html
    assert '<A HREF="TERNFIEL/TERN.INF">' in html


def test_the_coverage_of_the_discs_is_that_of_the_sources(work: Path) -> None:
    run("disc.toml", "--spread", "--capacity", "300 sectors", "-o", "discs")
    covers = [
        [
            device["cover"]
            for device in drivers(*paths, "-m", "kiosk.txt", "-t", "win9x")["targets"][0]["devices"]
        ]
        for paths in (["drivers"], sorted((work / "discs").iterdir()))
    ]
    assert covers == [["covered", "covered", "none"]] * 2


def test_the_json_form_of_a_series(work: Path) -> None:
    arguments = ["disc.toml", "--spread", "--capacity", "300 sectors"]
    plan = document(*arguments, "-n", exit_code=1)
    first, second = plan["discs"]
    assert (first["number"], first["label"], first["built"]) == (1, "KIOSK_1", None)
    assert [one["long_path"] for one in first["packages"]] == ["/DOS", "/Larkspur Video"]
    assert second["packages"][0]["short_path"] == "/TERNFIEL"
    assert "label" not in plan
    built = document(*arguments, "-o", "discs", exit_code=1)
    assert [disc["built"]["path"] for disc in built["discs"]] == [
        str(Path("discs/kiosk-1.iso")),
        str(Path("discs/kiosk-2.iso")),
    ]
    assert set(built) == set(plan)
    single = document("disc.toml", "--spread", "-n", exit_code=1)
    assert len(single["discs"]) == 1
    assert single["discs"][0]["label"] == "KIOSK"
    assert single["discs"][0]["packages"] == []


def test_a_series_replaces_nothing_unasked_and_tells_of_older_discs(work: Path) -> None:
    arguments = ["disc.toml", "--spread", "--capacity", "300 sectors", "-o", "discs"]
    (work / "discs").mkdir()
    for name in ("kiosk-1.iso", "kiosk-3.iso", "kiosk.iso", "kiosk-x.iso", "other-1.iso"):
        (work / "discs" / name).write_bytes(b"older")
    result = run(*arguments)
    assert result.exit_code == 9
    assert (work / "discs" / "kiosk-1.iso").read_bytes() == b"older"
    assert not (work / "discs" / "kiosk-2.iso").exists()
    result = run(*arguments, "--replace")
    assert result.exit_code == 1
    told = re.findall(rf"discs{re.escape(os.sep)}(\S+): is not one of these discs", result.stderr)
    assert told == ["kiosk-3.iso", "kiosk.iso"]
    assert (work / "discs" / "kiosk-3.iso").read_bytes() == b"older"


def test_packages_that_share_files_stay_together(work: Path) -> None:
    """Both INFs ask for files of a folder between them; by folders alone they would part."""
    shared = {
        "drivers/PACK/A/A.INF": inf_text("Quillon", "A", "PCI\\VEN_F3D7&DEV_1600", "A.VXD").replace(
            "1=disk", "1=disk,,,\\COMMON"
        ),
        "drivers/PACK/COMMON/A.VXD": "a" * 200_000,
    }
    for name, text in shared.items():
        path = work / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text)
    plan = document("drivers", "--spread", "--capacity", "330 sectors", "-n")
    homes = [
        {file["long_path"].split("/")[2] for file in disc["files"] if "/PACK/" in file["long_path"]}
        for disc in plan["discs"]
    ]
    assert [home for home in homes if home] == [{"A", "COMMON"}]


def test_reports_of_a_series_are_told_apart(work: Path) -> None:
    result = run(
        "disc.toml", "--spread", "--capacity", "300 sectors", "-n", "--report", "page.html"
    )
    assert result.exit_code == 1
    assert "Report: page-1.html, page-2.html" in result.stdout
    assert "Ternfield LAN" in (work / "page-2.html").read_text()


@pytest.mark.parametrize("extra", [[], ["--spread", "--capacity", "300 sectors"]])
def test_forty_columns(work: Path, extra: list[str]) -> None:
    result = run("disc.toml", "-n", *extra, width=40)
    assert max(len(line) for line in result.stdout.splitlines()) <= 40


def test_quiet_says_only_what_needs_attention(work: Path) -> None:
    result = run("drivers", "-o", "discs", "--spread", "--capacity", "300 sectors", "-q")
    assert (result.exit_code, result.stdout, result.stderr) == (0, "", "")


def test_a_damaged_inf_in_the_sources_stops_nothing(work: Path) -> None:
    path = work / "drivers/Larkspur Video/LKV.INF"
    path.write_bytes(flip(path.read_bytes(), 3))
    assert run("disc.toml", "-n").exit_code == 1


def test_an_archive_is_a_source_on_the_command_line(work: Path) -> None:
    with zipfile.ZipFile(work / "pack.zip", "w") as archive:
        for name in ("LKV.INF", "LKV.VXD"):
            archive.write(work / "drivers/Larkspur Video" / name, f"Larkspur Video/{name}")
    plan = document("pack.zip", "-n", "-m", "kiosk.txt", "-t", "win9x", exit_code=1)
    assert plan["label"] == "PACK"
    assert [device["cover"] for device in plan["drivers"][0]["devices"]] == [
        "covered",
        "none",
        "none",
    ]
    assert plan["files"][2]["source"] == "pack.zip:/Larkspur Video/LKV.INF"
    (target,) = drivers("pack.zip", "-m", "kiosk.txt", "-t", "win9x")["targets"]
    assert target["devices"][0]["package"]["inf"] == "/Larkspur Video/LKV.INF"
