"""``mediashelf plan``: a draft that can be used at once, and the session as a table."""

from __future__ import annotations

import json
from importlib.resources import files
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from session_bench import Bench, make_bench

from mediashelf.cli.main import main


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


def test_findings_count_as_in_every_command(bench: Bench) -> None:
    bench.slides.write_bytes(bench.slides.read_bytes()[:500_000])
    result = run("plan", "show", bench.plan)
    assert result.exit_code == 1
    assert "-- disc 3, SLIDES" in result.stdout
    assert "NOT win9x" in result.stdout
    assert run("plan", "show", bench.plan, "--fail-on", "never").exit_code == 0


DEVICES = """\
00:0a.0 Multimedia audio controller [0401]: Quillon Audio 16 [f3d7:1600] (rev 02)
01:00.0 VGA compatible controller [0300]: Larkspur Video Accelerator 3 [f2c4:0301] (rev 03)
"""


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
    run("prepare", bench.plan, "--to", bench.card)
    assert "Quillon Audio 16" in (bench.card / "run-sheet.txt").read_text()
    (bench.folder / "devices.txt").unlink()
    assert run("plan", "show", bench.plan).exit_code == 3


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
    assert "2 discs, 2 more left out as comments" in result.stderr
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


def test_a_draft_needs_known_targets_and_shelves(bench: Bench) -> None:
    assert run("plan", "new").exit_code == 2
    assert run("plan", "new", "-t", "win9").exit_code == 7
    assert run("plan", "new", "nowhere", "-t", "win9x").exit_code == 10
