"""``mediashelf plan``: a draft that can be used at once, and the session as a table."""

from __future__ import annotations

import json
from importlib.resources import files
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from cli_runs import Shelf
from make_image import make_iso
from make_raw import mode_1_image
from mediashelf.cli.main import main
from mediashelf.text import display_width
from session_bench import Bench, make_bench, slides_image


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    return make_bench(tmp_path)


def run(*arguments: object, columns: int = 120) -> Result:
    return CliRunner(env={"COLUMNS": str(columns)}).invoke(
        main, [str(one) for one in arguments], catch_exceptions=False
    )


def test_the_session_is_shown_as_a_table(bench: Bench) -> None:
    result = run("plan", "show", bench.plan)
    assert result.exit_code == 0, result.output
    lines = result.stdout.splitlines()
    assert lines[0] == "Tide-table kiosk, for Kiosk PC, 1999"
    row = next(line for line in lines if "KIOSKDRV" in line)
    assert row.split()[0] == "2"
    assert row.endswith("Drivers (after disc 1)")
    assert "floppy-1.44MB" in result.stdout
    assert "to put on a slow card" in result.stdout
    assert bench.on_card() == {}


MACHINE = """
[machine]
name = "Kiosk PC"
disk = "160GB"
firmware = "bios"
settings = ["Boot order: USB first"]
notes = "Keys: sticker under the case"
[[machine.part]]
what = "Quillon Audio 16"
where = "third slot"
[[step]]
do = "Make the partitions"
partitions = [{ system = "dos", filesystem = "fat16", size = "500MB", note = "active" }]
"""


@pytest.mark.parametrize("columns", [40, 80])
def test_all_that_a_plan_holds_is_shown_and_each_finding_once(bench: Bench, columns: int) -> None:
    bench.write_plan('image = "library/system.iso"\ntargets = ["dos", "win9x", "nt4"]')
    text = bench.plan.read_text().replace('machine = "Kiosk PC, 1999"\n', "")
    bench.plan.write_text(text.replace("[[disc]]", f"{MACHINE}[[disc]]"))
    out = run("plan", "show", bench.plan, "--fail-on", "never", columns=columns).stdout
    assert max(map(display_width, out.splitlines())) <= columns
    flat = " ".join(out.split())
    for words in (
        *("setting: Boot order: USB first", "note: Keys: sticker under the case"),
        *("part: Quillon Audio 16, third slot", "1. dos, fat16, 500MB, active"),
        "disk-within-28-bit-addressing [win9x, dos, nt4]",
    ):
        assert words in flat, words
    assert flat.count("disk-within-28-bit-addressing") == 1
    answer = json.loads(run("plan", "show", bench.plan, "--json", "--fail-on", "never").stdout)
    machine = answer["machine"]
    assert (machine["disk"], machine["memory"]) == (160 * 10**9, None)
    assert machine["parts"][0]["where"] == "third slot"
    assert answer["drive"] == {"vendor": "", "product": ""}
    assert answer["steps"][0]["partitions"][0]["size_bytes"] == 500 * 10**6


def test_findings_count_as_in_every_command(bench: Bench) -> None:
    bench.slides.write_bytes(bench.slides.read_bytes()[:500_000])
    result = run("plan", "show", bench.plan)
    assert result.exit_code == 1
    assert "-- disc 3, SLIDES" in result.stdout
    assert "win9x (errors)" in result.stdout
    assert run("plan", "show", bench.plan, "--fail-on", "never").exit_code == 0


DEVICES = """\
00:0a.0 Multimedia audio controller [0401]: Quillon Audio 16 [f3d7:1600] (rev 02)
01:00.0 VGA compatible controller [0300]: Larkspur Video Accelerator 3 [f2c4:0301] (rev 03)
"""


def test_every_system_says_what_is_known_of_its_drivers(bench: Bench) -> None:
    """As ``drivers`` does: nt4 reads INFs, dos has none, and neither is passed over."""
    (bench.folder / "devices.txt").write_text(DEVICES)
    machine = 'name = "n"\ntargets = ["nt4", "dos"]\n[machine]\ndevices = "devices.txt"\n'
    (recipe,) = [path for path in bench.folder.glob("*.toml") if path != bench.plan]
    bench.plan.write_text(f'{machine}[[disc]]\nrecipe = "{recipe.name}"\n')
    told = json.loads(run("plan", "show", bench.plan, "--json").stdout)["findings"]
    rules = {(one["rule"], one["target"]): one["message"] for one in told}
    assert "0 of 2 devices covered" in rules["devices-covered", "nt4"]
    assert ("devices-not-matched", "nt4") in rules
    assert "nothing is known of 2 devices" in rules["devices-not-declared", "dos"]
    assert ("device-without-driver", "dos") not in rules


def test_devices_of_the_machine_are_looked_for_on_the_discs(bench: Bench) -> None:
    inf = files("mediashelf.demo").joinpath("data", "lkvx3.inf").read_bytes()
    (bench.folder / "drivers" / "VIDEO" / "LKVX3.INF").write_bytes(inf)
    (bench.folder / "devices.txt").write_text(DEVICES)
    plan = bench.plan.read_text().replace('machine = "Kiosk PC, 1999"\n', "")
    machine = '[machine]\nname = "Kiosk PC, 1999"\ndevices = "devices.txt"\n\n[[disc]]'
    bench.plan.write_text(plan.replace("[[disc]]", machine, 1))
    result = run("plan", "show", bench.plan, "--json")
    assert result.exit_code == 0  # a session can go on without one driver
    findings = json.loads(result.stdout)["findings"]
    (lacking,) = [one for one in findings if one["rule"] == "device-without-driver"]
    assert "Quillon Audio 16" in lacking["where"]
    assert (lacking["severity"], lacking["target"], lacking["disc"]) == ("warning", "win9x", None)
    missing = [one["message"] for one in findings if one["rule"] == "driver-file-missing"]
    assert any("lkvpanel.cpl" in message for message in missing)  # the folder lacks it
    assert not any("lkvx3.vxd" in message for message in missing)
    (counted,) = [one for one in findings if one["rule"] == "devices-covered"]
    assert counted["severity"] == "note"
    # The three words are those of the drivers command.
    assert counted["message"].startswith(
        "0 of 2 devices covered, 1 incomplete, 1 without a driver; "
    )
    assert "Larkspur Video Accelerator 3: incomplete, lacks " in counted["message"]
    run("prepare", bench.plan, "--to", bench.card)
    assert "Quillon Audio 16" in (bench.card / "run-sheet.txt").read_text()
    (bench.folder / "devices.txt").unlink()
    assert run("plan", "show", bench.plan).exit_code == 3


def test_several_lists_of_devices_add_up(bench: Bench) -> None:
    for name, line in zip(("pci.txt", "usb.txt"), DEVICES.splitlines(), strict=True):
        (bench.folder / name).write_text(line + "\n")
    plan = bench.plan.read_text().replace('machine = "Kiosk PC, 1999"\n', "")
    machine = '[machine]\ndevices = ["pci.txt", "usb.txt"]\n\n[[disc]]'
    bench.plan.write_text(plan.replace("[[disc]]", machine, 1))
    findings = json.loads(run("plan", "show", bench.plan, "--json").stdout)["findings"]
    (counted,) = [one for one in findings if one["rule"] == "devices-covered"]
    assert counted["where"] == "pci.txt + usb.txt"
    assert "of 2 devices covered" in counted["message"]


def test_what_the_recipe_of_a_disc_tells_of_the_machine_is_told_once(bench: Bench) -> None:
    (bench.folder / "devices.txt").write_text(DEVICES + "what is this\n")
    plan = bench.plan.read_text().replace('machine = "Kiosk PC, 1999"\n', "")
    machine = '[machine]\nname = "Kiosk PC, 1999"\ndevices = "devices.txt"\n\n[[disc]]'
    bench.plan.write_text(plan.replace("[[disc]]", machine, 1))
    (recipe,) = [path for path in bench.folder.glob("*.toml") if path != bench.plan]
    recipe.write_text('machine = "devices.txt"\n' + recipe.read_text())
    document = json.loads(run("plan", "show", bench.plan, "--json").stdout)
    findings = document["findings"]
    for disc in document["discs"]:
        findings += disc.get("findings", [])
    lacks = [
        one["where"]
        for one in findings
        if one["rule"] in ("device-without-driver", "machine-line-unknown")
    ]
    assert len(lacks) == len(set(lacks)) == 3


def test_json_has_the_documented_shape(bench: Bench) -> None:
    result = run("plan", "show", bench.plan, "--json")
    document = json.loads(result.stdout)
    assert (document["command"], document["version"]) == ("plan show", 1)
    assert [disc["position"] for disc in document["discs"]] == [1, 2, 3]
    assert document["discs"][0]["boot"] == [{"method": "floppy-1.44MB", "platform": "x86"}]
    assert document["discs"][1]["after"] == [1]
    assert {finding["disc"] for finding in document["findings"]} <= {1, 2, 3, None}


@pytest.mark.parametrize("columns", [40, 80])
def test_narrow_terminals_are_enough(bench: Bench, columns: int) -> None:
    lines = run("plan", "show", bench.plan, columns=columns).stdout.splitlines()
    assert [line for line in lines if len(line) > columns and " " in line.strip()] == []


def test_a_draft_from_the_catalogue_can_be_prepared_at_once(bench: Bench) -> None:
    catalogue = bench.folder / "catalogue.sqlite"
    copy = bench.folder / "library" / "system copy.iso"
    copy.write_bytes(bench.system.read_bytes())
    (bench.folder / "library" / "bad.iso").write_bytes(bench.slides.read_bytes()[:400_000])
    run("shelf", "add", bench.system.parent, "--catalogue", catalogue)
    run("scan", "--catalogue", catalogue)
    draft = bench.folder / "draft.toml"
    options = ["-t", "win9x", "--catalogue", catalogue]
    result = run("plan", "new", *options, "-o", draft, "--name", "Kiosk")
    assert result.exit_code == 0, result.output
    assert "2 discs, 2 more as comments" in result.stderr
    text = draft.read_text()
    assert "left out: the same bytes as" in text
    assert "errors inside" in text or "error inside" in text
    assert run("prepare", draft, "--to", bench.card, *options[2:]).exit_code == 0
    assert len(bench.images_on_card()) == 2
    # A plan that is there is not written over.
    again = run("plan", "new", *options, "-o", draft)
    assert again.exit_code == 9
    assert draft.read_text() == text
    assert run("plan", "new", *options).stdout.startswith("# A session plan.")
    document = json.loads(run("plan", "new", *options, "--json").stdout)
    assert document["text"] == run("plan", "new", *options).stdout
    assert sorted(bool(disc["problem"]) for disc in document["discs"]) == [False] * 2 + [True] * 2


def test_a_draft_names_raw_images_by_their_sheet_and_pads_small_ones(bench: Bench) -> None:
    catalogue = bench.folder / "catalogue.sqlite"
    library = bench.folder / "library"
    (library / "sounds.bin").write_bytes(mode_1_image(slides_image(650_000)))
    (library / "sounds.cue").write_text(
        'FILE "sounds.bin" BINARY\n  TRACK 01 MODE1/2352\n    INDEX 01 00:00:00\n'
    )
    (library / "bare.bin").write_bytes(mode_1_image(slides_image(660_000)))
    (library / "small.iso").write_bytes(make_iso({"A.TXT": b"a"}, label="SMALL", joliet=3).data)
    run("shelf", "add", library, "--catalogue", catalogue)
    run("scan", "--catalogue", catalogue)
    draft = bench.folder / "draft.toml"
    result = run("plan", "new", "-t", "win9x", "--catalogue", catalogue, "-o", draft)
    assert "5 discs, 1 more as comments" in result.stderr
    text = draft.read_text()
    assert "left out: a part of sounds.cue" in text
    assert text.count("# raw: its data track is converted") == 2
    assert text.count("pad = true  ") == 1
    result = run("prepare", draft, "--to", bench.card, "--catalogue", catalogue)
    assert result.exit_code == 0, result.output
    assert "convert" in result.stdout
    assert "copy, padded" in result.stdout
    assert len(bench.images_on_card()) == 5
    bench.write_plan('find = "sounds"')  # the sheet and its file have the word
    assert run("plan", "show", bench.plan, "--catalogue", catalogue).exit_code == 0
    shown = json.loads(run("plan", "show", draft, "--catalogue", catalogue, "--json").stdout)
    assert sorted(str(disc["track"]) for disc in shown["discs"]) == ["1", "1"] + ["None"] * 3
    assert [disc["padding"] > 0 for disc in shown["discs"]].count(True) == 1


def test_a_draft_needs_known_targets_and_shelves(bench: Bench) -> None:
    assert run("plan", "new").exit_code == 2
    assert run("plan", "new", "-t", "win9").exit_code == 7
    assert run("plan", "new", "nowhere", "-t", "win9x").exit_code == 3


def test_steps_and_the_order_of_systems_are_shown(tmp_path: Path) -> None:
    bench = make_bench(tmp_path)
    tester = 'image = "library/slides.iso"\ntargets = []'
    step = '\n[[step]]\ndo = "Restart"\nsystem = "win9x"\nafter = "library/system.iso"\n'
    bench.write_plan(tester, 'image = "library/system.iso"\ntargets = ["win9x", "nt4"]')
    bench.plan.write_text(bench.plan.read_text() + step)
    shelf = Shelf(tmp_path)
    shown = " ".join(shelf.run("plan", "show", bench.plan, "--fail-on", "never").stdout.split())
    assert "order of systems: win9x, nt4" in shown
    assert "step for win9x, after disc 2: Restart" in shown
    assert "no system" in shown
    assert "may erase" in shown
    document = shelf.json("plan", "show", str(bench.plan), "--fail-on", "never")
    assert document["systems"] == ["win9x", "nt4"]
    assert [(one["do"], one["position"]) for one in document["steps"]] == [("Restart", 2)]
    assert [(one["targets"], one["erases"]) for one in document["discs"]] == [
        ([], False),
        (["win9x", "nt4"], True),
    ]
