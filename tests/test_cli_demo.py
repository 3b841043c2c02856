"""``mediashelf demo``: all jobs end as the example says, quickly, and twice in one folder."""

from __future__ import annotations

import json
import re
import time
from pathlib import Path

import pytest
from click.testing import CliRunner

from mediashelf.cli.main import main
from mediashelf.demo import scenario

MOST_SECONDS = 10
README = Path(__file__).parents[1] / "README.md"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return tmp_path / "kiosk"


def run(folder: Path, *words: str) -> str:
    began = time.process_time()  # what else the machine does is no matter
    result = CliRunner().invoke(main, ["demo", str(folder), *words], env={"COLUMNS": "80"})
    assert result.exit_code == 0, result.output
    assert time.process_time() - began < MOST_SECONDS
    return result.output


def test_the_example_ends_in_a_report_of_its_session(folder: Path) -> None:
    out = run(folder)
    assert "which the example did not expect" not in out
    assert "3 discs: 1 worked, 1 failed, 1 open." in out
    assert "disc 2, Quillon audio on win9x: qlsynth.vxd is missing" in out
    page = (folder / "session-report.html").read_text("utf-8")
    assert "qlsynth.vxd is missing" in page
    assert str(folder) not in page


def test_what_the_readme_prints_is_what_it_says(folder: Path) -> None:
    def comparable(text: str) -> str:
        return re.sub(r" +", " ", re.sub(r"\d{4}-\d\d-\d\d", "DATE", text))

    out = comparable(run(folder))
    blocks = re.findall(r"^```\n(\$ .*?)^```$", README.read_text("utf-8"), re.M | re.S)
    # A line with a command or with "…" divides what must stand together.
    parts = [
        part for block in blocks for part in re.split(r"^(?:…|\$ .*|    --.*)\n", block, flags=re.M)
    ]
    parts = [comparable(part) for part in parts if part.strip()]
    assert len(parts) >= 4
    assert [part for part in parts if part not in out] == []


def test_the_shelves_answer_and_the_disc_says_the_same(folder: Path) -> None:
    out = run(folder)
    environment = {"COLUMNS": "80", "MEDIASHELF_CATALOGUE": str(folder / "catalogue.sqlite")}
    tables = []
    for source in ("--shelves", str(folder / "shelf-drivers.iso")):
        words = ["drivers", source, "-m", str(folder / "devices.txt"), "-t", "win9x", "--json"]
        result = CliRunner().invoke(main, words, env=environment)
        devices = json.loads(result.output)["targets"][0]["devices"]
        tables.append([(device["cover"], device["missing"]) for device in devices])
    assert tables[0] == tables[1]
    # The folder of drivers lacks a file of the sound card; its own disc has it.
    assert tables[0][2] == ("covered", [])
    assert "wins: drawer:sound-card.iso:/Quillon Audio/QLAUDIO.INF [QLA16.Install]" in out


def test_it_is_made_anew_in_its_own_folder_and_nowhere_else(folder: Path) -> None:
    run(folder)
    (folder / "mine.txt").write_text("made by the last run's reader")
    run(folder, "-q")
    assert not (folder / "mine.txt").exists()
    (folder / ".mediashelf-demo").unlink()
    result = CliRunner().invoke(main, ["demo", str(folder)])
    assert result.exit_code == 9
    assert "was not made by this command" in result.output


def test_a_stop_while_it_is_cleared_leaves_it_ours(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    run(folder, "-q")

    def stop(path: Path) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as patch:
        patch.setattr(scenario.shutil, "rmtree", stop)
        assert CliRunner().invoke(main, ["demo", str(folder)]).exit_code == 130
    run(folder, "-q")


@pytest.mark.parametrize(("error", "code"), [(KeyboardInterrupt, 130), (BrokenPipeError, 141)])
def test_what_stops_a_command_of_the_example_stops_it(
    folder: Path, monkeypatch: pytest.MonkeyPatch, error: type[BaseException], code: int
) -> None:
    """Exit codes as shells report SIGINT and SIGPIPE: 128 and the signal's number."""

    def stop(*_: object, **__: object) -> None:
        raise error

    monkeypatch.setattr("mediashelf.jobs.discs.driver_survey.find_subjects", stop)
    monkeypatch.setattr("mediashelf.cli.main._silence_standard_output", lambda: None)
    result = CliRunner().invoke(main, ["demo", str(folder)])
    assert result.exit_code == code
    assert "$ mediashelf shelf" not in result.output
