"""Findings that the keeper knows: small, not counted, and back when the bytes change."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from cli_runs import Shelf
from made_library import DATE, TICK, overwrite, write
from make_image import flip, make_iso
from mediashelf.errors import BlockedError, InputError

RULE = "both-orders-agree"


@pytest.fixture
def shelf(tmp_path: Path) -> Shelf:
    """Two images whose extent's copies in two byte orders differ (ECMA-119 9.1.3)."""
    (tmp_path / "home").mkdir()
    made = Shelf(tmp_path)
    made.run("shelf", "add", made.home)
    image = make_iso({"README.TXT": b"tide"}, joliet=3)
    for name in ("tide.iso", "ebb.iso"):
        write(made.home / name, flip(image.data, image.record("/README.TXT") + 2), DATE)
    made.run("scan")
    return made


def rules(shelf: Shelf, code: int) -> dict[str, set[tuple[str, str]]]:
    document = shelf.json("audit", code=code)
    return {
        image["where"]: {(each["rule"], each["severity"]) for each in image["findings"]}
        for image in document["images"]
    }


def test_acknowledged_findings_do_not_count_until_the_bytes_change(shelf: Shelf) -> None:
    tide = shelf.home / "tide.iso"
    before = rules(shelf, code=1)
    errors = {rule for rule, severity in before["home: tide.iso"] if severity == "error"}
    assert errors
    options = [word for rule in sorted(errors) for word in ("--acknowledge", rule)]
    out = shelf.run("audit", tide, *options, "--why", "the master is so").stdout
    assert "home: tide.iso  damaged (acknowledged)" in out
    assert "the master is so)" in " ".join(out.split())
    for _ in range(2):
        after = rules(shelf, code=1)  # for the other image
        assert {severity for _, severity in after["home: tide.iso"]} == {"note"}
        assert after["home: ebb.iso"] == before["home: ebb.iso"]
    page = shelf.folder / "audit.html"
    shelf.run("audit", "tide.iso", "--report", page)
    text = page.read_text("utf-8")
    assert "1 image is not sound, as acknowledged" in text
    assert "damaged (acknowledged)" in text
    assert "attention" not in text.partition("<body")[2].partition("</h1>")[0]
    overwrite(tide, 40_000, b"\xff")
    assert {rule for rule, severity in rules(shelf, 1)["home: tide.iso"] if severity == "error"} > (
        errors
    )
    shelf.run("scan", "--accept", tide)
    again = rules(shelf, code=1)["home: tide.iso"]
    assert {rule for rule, severity in again if severity == "error"} == errors


def test_taking_it_back(shelf: Shelf) -> None:
    (rule, *_) = sorted(
        each["rule"] for each in shelf.json("audit", "tide.iso", code=1)["findings"]
    )
    shelf.run("audit", "tide.iso", "--acknowledge", rule, "--why", "x", "--fail-on", "never")
    before = rules(shelf, code=1)["home: tide.iso"]
    shelf.run("audit", "tide.iso", "--take-back", rule, code=1)
    assert rules(shelf, code=1)["home: tide.iso"] != before
    error = shelf.run("audit", "tide.iso", "--take-back", rule, code=InputError.exit_code).stderr
    assert "was not acknowledged (acknowledged: none)" in error


def test_what_cannot_be_acknowledged(shelf: Shelf) -> None:
    code = InputError.exit_code
    for words, expected in (
        (("tide.iso", "--acknowledge", RULE), "go together"),
        (("tide.iso", "--why", "x"), "go together"),
        (("--acknowledge", RULE, "--why", "x"), "Name the images"),
    ):
        assert expected in shelf.run("audit", *words, code=2).stderr
    words = ("audit", "tide.iso", "--acknowledge", "no-such-rule", "--why", "x")
    assert "has no finding 'no-such-rule' on record" in shelf.run(*words, code=code).stderr
    overwrite(shelf.home / "tide.iso", 40_000, b"\xff")
    shelf.run("audit", code=1)
    words = ("audit", "tide.iso", "--acknowledge", "bytes-as-recorded", "--why", "x")
    assert "its bytes differ from the record" in shelf.run(*words, code=code).stderr


def acknowledge_all(shelf: Shelf, name: str) -> None:
    for image in shelf.json("audit", name, code=1)["images"]:
        rules = {each["rule"] for each in image["findings"]}
        options = [word for rule in sorted(rules) for word in ("--acknowledge", rule)]
        shelf.run("audit", name, *options, "--why", "the master is so")


@pytest.mark.parametrize("way", ["shelf", "missing"])
def test_what_was_forgotten_and_is_back_keeps_its_acknowledgement(shelf: Shelf, way: str) -> None:
    """The other image has the same bytes and none; neither has it then."""
    acknowledge_all(shelf, "tide.iso")
    before = shelf.json("audit", "tide.iso")["findings"]
    if way == "shelf":
        shelf.run("shelf", "drop", "home", "--yes")
        shelf.run("shelf", "add", shelf.home, "--name", "again")
    else:
        aside = (shelf.home / "tide.iso").rename(shelf.folder / "tide.iso")
        shelf.run("scan", code=1)
        shelf.run("shelf", "drop", "home", "--only-missing", "--yes")
        aside.rename(shelf.home / "tide.iso")
    assert "1 of these has errors inside" in shelf.run("scan").stdout or way == "missing"
    states = {one["path"]: one["finding_counts"] for one in shelf.json("list")["images"]}
    assert states["tide.iso"]["error"] == 0
    assert states["ebb.iso"]["error"] > 0
    after = shelf.json("audit", "tide.iso")["findings"]
    assert [one["message"] for one in after] == [one["message"] for one in before]


def test_bytes_that_changed_while_forgotten_have_no_acknowledgement(shelf: Shelf) -> None:
    acknowledge_all(shelf, "tide.iso")
    shelf.run("shelf", "drop", "home", "--yes")
    overwrite(shelf.home / "tide.iso", 40_000, b"\xff")
    shelf.run("shelf", "add", shelf.home)
    shelf.run("scan")
    shelf.run("audit", "tide.iso", code=1)


def test_the_summary_of_an_audit_says_what_is_acknowledged(shelf: Shelf) -> None:
    acknowledge_all(shelf, "tide.iso")
    assert "1 image: 1 damaged (acknowledged)." in shelf.run("audit", "tide.iso").stdout
    out = shelf.run("audit", code=1).stdout
    assert "2 images: 1 damaged, 1 damaged (acknowledged)." in out


def test_what_is_acknowledged_is_not_named_as_wrong_every_night(shelf: Shelf) -> None:
    shelf.run("audit", code=1)
    acknowledge_all(shelf, "tide.iso")
    due = shelf.json("audit", "--due", "7d")["due"]
    assert due["known_wrong"] == ["home: ebb.iso"]
    assert due["fresh"] == 1


def prepare_plan(shelf: Shelf, name: str) -> Path:
    plan = shelf.folder / f"{name}.toml"
    plan.write_text(
        'name = "Kiosk"\ntargets = ["win9x"]\n'
        f'[[disc]]\nimage = "home/{name}.iso"\npad = true\npurpose = "Install"\n',
        "utf-8",
    )
    return plan


def test_every_command_knows_what_was_acknowledged(shelf: Shelf) -> None:
    tide = shelf.home / "tide.iso"
    plan, card = prepare_plan(shelf, "tide"), shelf.folder / "card"
    card.mkdir()
    shelf.run("plan", "show", plan, code=1)
    acknowledge_all(shelf, "tide.iso")

    def look() -> None:
        (image,) = (one for one in shelf.json("list")["images"] if one["path"] == "tide.iso")
        assert image["finding_counts"]["error"] == 0
        assert image["finding_counts"]["note"] > 0
        assert "damaged (acknowledged)" in shelf.run("list").stdout
        (image,) = (
            one for one in shelf.json("list", "--findings")["images"] if one["path"] == "tide.iso"
        )
        assert {each["severity"] for each in image["findings"]} == {"note"}
        document = shelf.json("plan", "show", plan)
        known = [each for each in document["findings"] if each["rule"] == RULE]
        assert [each["severity"] for each in known] == ["note"]
        assert "(acknowledged " in known[0]["message"]
        page = shelf.folder / "library.html"
        shelf.run("list", "--report", page)
        assert "damaged (acknowledged)" in page.read_text("utf-8")
        draft = shelf.run("plan", "new", "home", "-t", "win9x").stdout
        assert "\nimage = " in draft
        assert "# home/ebb.iso" in draft or "ebb.iso" in draft

    look()
    os.utime(tide, ns=(DATE + 5 * TICK, DATE + 5 * TICK))
    out = shelf.run("scan").stdout
    assert "1 confirmed" in out
    assert "errors inside" not in " ".join(out.split())
    (image,) = shelf.json("scan")["images"] or [{"findings": []}]
    assert "error" not in {each["severity"] for each in image["findings"]}
    look()
    shelf.run("prepare", plan, "--to", card)
    overwrite(tide, 40_000, b"\xff")
    assert shelf.json("plan", "show", plan, code=1)
    shelf.run("prepare", plan, "--to", card, code=BlockedError.exit_code)


def test_another_finding_of_an_acknowledged_image_still_blocks(shelf: Shelf) -> None:
    shelf.run("audit", "tide.iso", "--acknowledge", RULE, "--why", "x", "--fail-on", "never")
    document = shelf.json("plan", "show", prepare_plan(shelf, "ebb"), code=1)
    assert RULE in {each["rule"] for each in document["findings"]}


def test_a_plan_begins_without_what_decayed_or_waits(shelf: Shelf) -> None:
    acknowledge_all(shelf, "tide.iso")
    acknowledge_all(shelf, "ebb.iso")
    overwrite(shelf.home / "tide.iso", 40_000, b"\xff")
    overwrite(shelf.home / "ebb.iso", 40_000, b"\xfe")
    os.utime(shelf.home / "ebb.iso", ns=(DATE + 5 * TICK, DATE + 5 * TICK))
    shelf.run("audit", code=1)
    draft = shelf.run("plan", "new", "home", "-t", "win9x").stdout
    assert "decayed" in draft
    assert "changed, waiting" in draft
    assert "\nimage = " not in draft


def test_show_says_that_findings_are_known_and_why_it_shows_them(shelf: Shelf) -> None:
    tide = shelf.home / "tide.iso"
    before = rules(shelf, code=1)["home: tide.iso"]
    errors = sorted(rule for rule, severity in before if severity == "error")
    options = [word for rule in errors for word in ("--acknowledge", rule)]
    assert "acknowledged" not in shelf.run("show", tide, code=1).stdout
    shelf.run("audit", tide, *options, "--why", "the master is so")
    said = " ".join(shelf.run("show", tide, code=1).stdout.split())
    assert "on record home: tide.iso: damaged (acknowledged)" in said
    assert "acknowledged for the bytes on record; what the bytes are now is not read" in said
