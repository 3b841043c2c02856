"""One plan and one card for several machines: ``--machine`` of each command of the bench."""

from __future__ import annotations

from pathlib import Path

import pytest

from cli_runs import Shelf
from mediashelf.errors import InputError, SessionPlanError
from session_bench import SYSTEM_DISC, Bench, make_bench

TWO = """
[[machine]]
name = "Kiosk PC"
memory = "64MB"
[[machine]]
name = "Tide office PC"
memory = "768MB"
"""


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    bench = make_bench(tmp_path)
    bench.write_plan(SYSTEM_DISC)
    text = bench.plan.read_text().replace('machine = "Kiosk PC, 1999"\n', "")
    bench.plan.write_text(text.replace("[[disc]]", f"{TWO}\n[[disc]]"))
    return bench


@pytest.fixture
def shelf(bench: Bench) -> Shelf:
    return Shelf(bench.folder)


def numbers(shelf: Shelf, *options: str) -> list[int]:
    return [one["number"] for one in shelf.json("session", "list", *options)["sessions"]]


def test_plan_and_card_are_for_the_machine_that_is_named(shelf: Shelf, bench: Bench) -> None:
    out = shelf.run("plan", "show", bench.plan, code=SessionPlanError.exit_code)
    assert "name one with --machine: Kiosk PC; Tide office PC" in out.stderr
    small = shelf.json("plan", "show", bench.plan, "--machine", "kiosk")
    large = shelf.json("plan", "show", bench.plan, "--machine", "tide")
    rule = "memory-within-cache-limit"
    assert rule not in [one["rule"] for one in small["findings"]]
    assert rule in [one["rule"] for one in large["findings"]]
    shelf.run("prepare", bench.plan, "--to", bench.card, "--machine", "tide")
    assert "Machine: Tide office PC" in (bench.card / "run-sheet.txt").read_text()
    before = bench.inodes()
    shelf.run("prepare", bench.plan, "--to", bench.card, "--machine", "kiosk")
    assert bench.inodes() == before
    assert [one["machine"] for one in shelf.json("session", "list")["sessions"]] == [
        "Kiosk PC",
        "Tide office PC",
    ]


def test_notes_and_reports_go_to_the_machine_that_is_named(shelf: Shelf, bench: Bench) -> None:
    for name in ("tide", "kiosk"):
        shelf.run("prepare", bench.plan, "--to", bench.card, "--machine", name, "-q")
    shelf.run("session", "note", "1", "f", "no picture", "--machine", "tide office")
    shelf.run("session", "note", "1", "w")  # the one prepared last
    report = shelf.run("session", "report", "--machine", "tide").stdout
    assert report.startswith("Tide-table kiosk, for Tide office PC\n")
    assert "no picture" in report
    assert "no picture" not in shelf.run("session", "report").stdout
    out = shelf.run(
        "session", "note", "1", "w", "--machine", "pc", code=InputError.exit_code
    ).stderr
    assert "is a part of the names of several machines (Kiosk PC, Tide office PC)" in out
    out = shelf.run("session", "report", "--machine", "Kiosk PV", code=InputError.exit_code).stderr
    assert "did you mean 'Kiosk PC'?" in out


def test_one_card_goes_from_machine_to_machine(shelf: Shelf, bench: Bench) -> None:
    shelf.run("prepare", bench.plan, "--to", bench.card, "--machine", "kiosk", "-q")
    shelf.run("session", "note", "1", "w")
    out = shelf.run("session", "begin", "--machine", "Kiosk PC, spare").stdout
    assert "started again as session 2, for Kiosk PC, spare" in out
    card = str(bench.card)
    shelf.run("session", "note", "1", "f", "stops", "--session", card, "--machine", "spare")
    assert numbers(shelf, "stops") == numbers(shelf, "--machine", "spare") == [2]
    assert numbers(shelf, "--machine", "kiosk pc") == [2, 1]
    first = shelf.json("session", "report", "--session", card, "--machine", "Kiosk PC")
    assert first["session"]["number"] == 1


def test_a_product_key_is_not_noted(shelf: Shelf, bench: Bench) -> None:
    shelf.run("prepare", bench.plan, "--to", bench.card, "--machine", "kiosk", "-q")
    key = "ABCDE-12345-ABCDE-12345-ABCDE"
    for words in (("used", key), ("-d", key), ("--value", f"key={key}")):
        out = shelf.run("session", "note", "1", "w", *words, code=InputError.exit_code).stderr
        assert "what looks like a product key" in out
        assert key not in out
    assert shelf.json("session", "report")["session"]["discs"][0]["notes"] == []
