"""``mediashelf session``: notes as they are typed at the bench, and the list of sessions."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import pytest

from cli_runs import Shelf
from mediashelf.errors import CatalogueError, InputError, TargetError
from session_bench import Bench
from session_notes import note, outcomes


def test_from_preparing_to_the_report(shelf: Shelf, bench: Bench) -> None:
    listed = shelf.run("session", "list").stdout
    assert "Tide-table kiosk" in listed
    assert "3 open" in listed
    assert str(bench.card) in listed
    out = note(shelf, "1", "worked", "first", "try").stdout
    assert "Tide-table kiosk, 1 KIOSK_SYSTEM" in out
    assert "worked: first try" in out
    assert "next: 2 KIOSKDRV" in out
    note(shelf, "next", "w")
    out = note(shelf, "slides", "f", "too", "dark").stdout
    assert "no disc is open; next: mediashelf session report" in out
    report = shelf.run("session", "report").stdout
    assert report.splitlines()[0] == "Tide-table kiosk, for Kiosk PC, 1999"
    assert [line.split() for line in report.splitlines()[3:7]] == [
        ["what", "disc", "win9x"],
        ["Install", "the", "system", "1", "worked"],
        ["Drivers", "2", "worked"],
        ["Slides", "3", "failed"],
    ]
    assert "disc 3, Slides: too dark" in report
    assert report.endswith("3 discs: 2 worked, 1 failed.\n")


@pytest.mark.parametrize(
    ("word", "outcome"),
    [
        *[(word, "worked") for word in ("worked", "work", "W", "ok", "yes", "+")],
        *[(word, "failed") for word in ("failed", "fail", "f", "no", "BAD")],
    ],
)
def test_short_words(shelf: Shelf, word: str, outcome: str) -> None:
    note(shelf, "1", word)
    assert outcomes(shelf) == [outcome, "open", "open"]


@pytest.mark.parametrize("word", ["", "x", "workedd", "wf", "-"])
def test_other_words_are_refused_and_nothing_is_noted(shelf: Shelf, word: str) -> None:
    assert "not worked, failed or undo" in note(shelf, "1", word, code=2).stderr
    assert outcomes(shelf) == ["open"] * 3


def test_a_code_on_the_card_names_its_disc(shelf: Shelf, bench: Bench) -> None:
    for number, name in enumerate(bench.images_on_card()):
        code = name.split("-")[1]
        note(shelf, code.lower(), "w")
        assert outcomes(shelf) == ["worked"] * (number + 1) + ["open"] * (2 - number)


def test_a_correction_takes_the_place_and_the_first_note_stays_on_record(shelf: Shelf) -> None:
    note(shelf, "1", "f", "no boot")
    out = note(shelf, "1", "w", "after the drives were put in order").stdout
    assert "replaces: failed: no boot" in out
    document = shelf.json("session", "report")
    notes = document["session"]["discs"][0]["notes"]
    assert [(one["outcome"], one["holds"]) for one in notes] == [
        ("failed", False),
        ("worked", True),
    ]
    out = note(shelf, "1", "undo").stdout
    assert "open again" in out
    assert "next: 1 KIOSK_SYSTEM" in out
    assert outcomes(shelf) == ["open"] * 3
    assert len(shelf.json("session", "report")["session"]["discs"][0]["notes"]) == 3
    for words in ((), ("-d", "Quillon audio"), ("--on", "win9x")):
        assert "nothing to take back" in note(shelf, "1", "undo", *words).stdout


def test_devices_and_systems(shelf: Shelf) -> None:
    note(shelf, "drv", "w", "-d", "Larkspur  video", "--on", "win9x", "800 by 600")
    note(shelf, "drv", "f", "-d", "Quillon audio", "no sound")
    note(shelf, "drv", "f", "-d", "QUILLON AUDIO", "--on", "nt4")
    document = shelf.json("session", "report")
    assert document["systems"] == ["win9x", "nt4"]
    assert [(row["about"], row["is_device"]) for row in document["rows"]] == [
        ("Install the system", False),
        ("Drivers", False),
        ("Larkspur video", True),
        ("Quillon audio", True),
        ("Slides", False),
    ]
    audio = document["rows"][3]["cells"]
    assert [(one["systems"], one["outcome"], one["text"]) for one in audio] == [
        (["win9x"], "failed", "no sound"),
        (["nt4"], "failed", ""),
    ]
    assert outcomes(shelf) == ["open", "failed", "open"]
    out = note(shelf, "drv", "undo", "-d", "quillon audio", "--on", "nt4").stdout
    assert "open again on nt4, quillon audio" in " ".join(out.split())
    missing = note(shelf, "drv", "w", "--on", "nt9", code=TargetError.exit_code)
    assert "did you mean" in missing.stderr


def test_a_note_about_a_device_leaves_the_disc_open(shelf: Shelf) -> None:
    for number in ("1", "2", "3"):
        note(shelf, number, "w", "-d", "Larkspur video")
    assert outcomes(shelf) == ["open"] * 3
    assert "3 discs: 3 open" in shelf.run("session", "report").stdout
    assert "next: 1 KIOSK_SYSTEM" in note(shelf, "2", "w").stdout


def test_values_are_kept_and_compared_over_sessions(shelf: Shelf, bench: Bench) -> None:
    video = ("-d", "Larkspur video", "--on", "win9x")
    out = note(shelf, "2", "w", "driver A", *video, "--value", "frames/s=27.5").stdout
    assert "driver A; frames/s = 27.5" in " ".join(out.split())
    shelf.run("session", "begin")
    note(shelf, "2", "w", "driver B", *video, "--value", "frames/s = 31", "--value", "mode=800x600")
    table = bench.folder / "values.csv"
    report = shelf.run("session", "report", "--csv", table).stdout
    assert "Values of this machine, from 2 sessions" in report
    assert re.search(r"win9x, Larkspur video, driver A +20\S+ +27\.5", report)
    assert re.search(r"win9x, Larkspur video, driver B +20\S+ +31 +800x600", report)
    assert len(table.read_text("utf-8").splitlines()) == 4
    # A bar for each number of a column that has several; of other texts there is none.
    bars = re.findall(r"^ +([\d.]+)  (#+)$", report, re.MULTILINE)
    assert [value for value, _ in bars] == ["27.5", "31"]
    assert pytest.approx(len(bars[0][1]) / len(bars[1][1]), abs=0.03) == 27.5 / 31
    measured = shelf.json("session", "report")["measured"]
    assert [one["values"] for one in measured] == [
        {"frames/s": ["27.5"]},
        {"frames/s": ["31"], "mode": ["800x600"]},
    ]
    for wrong in ("fast", "=3", "x=", "x" * 81 + "=1"):
        assert "is not NAME=VALUE" in note(shelf, "1", "w", "--value", wrong, code=2).stderr
    twice = note(shelf, "1", "w", "--value", "a=1", "--value", "a=2", code=2)
    assert "appears twice" in twice.stderr
    shelf.run("session", "report", "--csv", "kiosk.html", code=2)


def test_the_list_finds_sessions(shelf: Shelf) -> None:
    note(shelf, "2", "f", "no sound", "-d", "Quillon audio")
    for words, count in (
        (("--machine", "KIOSK"), 1),
        (("--machine", "tower"), 0),
        (("--device", "quillon"), 1),
        (("--device", "larkspur"), 0),
        (("--disc", "slides"), 1),
        (("no", "sound"), 1),
        (("no sound", "--machine", "tower"), 0),
    ):
        assert len(shelf.json("session", "list", *words)["sessions"]) == count, words
    assert "No session matches" in shelf.run("session", "list", "--machine", "tower").stdout


def test_words_that_begin_with_a_dash_are_told_from_options(shelf: Shelf) -> None:
    assert note(shelf, "1", "f", "-60 Hz", code=2).stderr
    note(shelf, "1", "f", "--", "-60 Hz")
    assert shelf.json("session", "report")["session"]["discs"][0]["notes"][0]["text"] == "-60 Hz"


def test_what_is_meant_by_a_session(shelf: Shelf, bench: Bench) -> None:
    other = bench.folder / "other card"
    other.mkdir()
    bench.plan.write_text(bench.plan.read_text().replace("Tide-table kiosk", "Harbour clock"))
    shelf.run("prepare", bench.plan, "--to", other, "-q")
    note(shelf, "1", "w")  # the one prepared last
    note(shelf, "2", "f", "-s", "tide")
    note(shelf, "3", "f", "--session", str(bench.card))
    assert outcomes(shelf, "-s", "Harbour clock") == ["worked", "open", "open"]
    assert outcomes(shelf, "-s", str(bench.card)) == ["open", "failed", "failed"]
    known = shelf.json("session", "list")["sessions"]
    assert [one["name"] for one in known] == ["Harbour clock", "Tide-table kiosk"]
    number = str(known[1]["number"])
    assert outcomes(shelf, "-s", number) == ["open", "failed", "failed"]
    wrong = shelf.run("session", "report", "-s", "clok", code=InputError.exit_code)
    assert "not a recorded session" in wrong.stderr


def test_a_card_that_was_prepared_elsewhere(shelf: Shelf, bench: Bench, tmp_path: Path) -> None:
    """On another computer, with another catalogue or none, the card is all there is."""
    there = Shelf(tmp_path / "there")
    there.folder.mkdir()
    card = there.folder / "card"
    shutil.copytree(bench.card, card)
    told = there.run("session", "report", "-s", card, code=InputError.exit_code).stderr
    assert "no session is on record for this card" in told
    assert not there.catalogue.exists()
    note(there, "1", "w", "-s", str(card))
    note(there, "2", "f", "-s", str(card))
    note(there, "3", "w")
    (only,) = there.json("session", "list")["sessions"]
    assert only["name"] == "Tide-table kiosk"
    assert outcomes(there) == ["worked", "failed", "worked"]
    # At home, the same card elsewhere is the session that was prepared.
    note(shelf, "1", "f", "-s", str(card))
    assert len(shelf.json("session", "list")["sessions"]) == 1


def test_a_mended_disc_keeps_the_rest_of_the_session(shelf: Shelf, bench: Bench) -> None:
    note(shelf, "1", "w")
    note(shelf, "2", "f", "a file is missing")
    (bench.folder / "drivers" / "VIDEO" / "LKVX3.DRV").write_bytes(b"the missing file")
    shelf.run("prepare", bench.plan, "--to", bench.card, "-q")
    assert outcomes(shelf) == ["worked", "open", "open"]
    report = shelf.run("session", "report").stdout
    assert "Before 2 KIOSKDRV was replaced: failed: a file is missing" in report


def test_begun_again(shelf: Shelf) -> None:
    note(shelf, "1", "w")
    assert "started again as session 2" in shelf.run("session", "begin").stdout
    assert outcomes(shelf) == ["open"] * 3
    assert outcomes(shelf, "-s", "1") == ["worked", "open", "open"]
    document = shelf.json("session", "begin", "-s", "1")
    assert document["command"] == "session begin"
    assert document["session"]["number"] == 3


def test_no_session_yet(tmp_path: Path) -> None:
    shelf = Shelf(tmp_path)
    assert "mediashelf prepare records one" in shelf.run("session", "list").stdout
    assert shelf.run("session", "list", "-q").stdout == ""
    for words in (["report"], ["note", "1", "w"], ["begin"]):
        result = shelf.run("session", *words, code=InputError.exit_code)
        assert "no session is on record yet" in result.stderr
    assert not shelf.catalogue.exists()


def test_a_dry_run_or_a_blocked_card_is_no_session(shelf: Shelf, bench: Bench) -> None:
    other = bench.folder / "other"
    other.mkdir()
    shelf.run("prepare", bench.plan, "--to", other, "--dry-run")
    bench.slides.write_bytes(bench.slides.read_bytes()[:300_000])
    shelf.run("prepare", bench.plan, "--to", other, code=12)
    assert len(shelf.json("session", "list")["sessions"]) == 1


def test_a_card_is_ready_even_if_its_session_cannot_be_recorded(bench: Bench) -> None:
    shelf = Shelf(bench.folder)
    shelf.catalogue.write_bytes(b"no database" * 100)
    shelf.run("prepare", bench.plan, "--to", bench.card, code=CatalogueError.exit_code)
    assert bench.images_on_card() == []  # said before anything is copied
    in_the_way = bench.folder / "no folder"
    in_the_way.write_bytes(b"")
    place = in_the_way / "catalogue.sqlite"
    result = shelf.run("prepare", bench.plan, "--to", bench.card, "--catalogue", place)
    assert len(bench.images_on_card()) == 3
    told = " ".join(result.stderr.split())
    assert "The card is ready, but its session could not be recorded" in told
    assert f"session note --session {bench.card}" in told
