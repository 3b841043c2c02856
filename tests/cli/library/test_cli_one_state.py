"""One image, one state: every command that names an image says the same of it."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from cli_runs import Shelf
from made_library import DATE, TICK, overwrite, write
from make_files import make_cabinet
from make_image import flip, make_iso
from mediashelf.errors import BlockedError

CABINET = make_cabinet([{"LKVX3.SYS": b"driver " * 9000}])
MADE = make_iso({"DATA1.CAB": CABINET.data, "README.TXT": b"read me\r\n"}, pad_sectors=400)
DAMAGED = flip(MADE.data, MADE.file("/DATA1.CAB") + CABINET.at("data 0.1") + 5)

UNMET = "not as published"

STATES = {
    "damaged.iso": "damaged",
    "copy.iso": "damaged",
    "later.iso": "damaged",
    "restored.iso": "damaged",
    "other.iso": "sound",
    "decayed.iso": "decayed",
    "waiting.iso": "changed",
    "sound.iso": "sound",
}


def numbered(number: int, data: bytes = MADE.data) -> bytes:
    return data + bytes([number]) * 2048


@pytest.fixture
def shelf(tmp_path: Path) -> Shelf:
    """Images in each state, and ``new.iso`` without a record."""
    shelf = Shelf.with_shelves(tmp_path, "home")
    for name in ("damaged.iso", "copy.iso"):
        write(shelf.home / name, DAMAGED, DATE)
    write(shelf.home / "restored.iso", numbered(9, DAMAGED), DATE)
    for number, name in enumerate(("other.iso", "decayed.iso", "waiting.iso", "sound.iso")):
        write(shelf.home / name, numbered(number), DATE)
    shelf.run("scan")
    shelf.run("audit", "damaged.iso", "restored.iso", "--depth", "contents", code=1)
    overwrite(shelf.home / "restored.iso", 40_000, b"\xff")
    os.utime(shelf.home / "restored.iso", ns=(DATE, DATE))
    overwrite(shelf.home / "decayed.iso", 40_000, b"\xff")
    os.utime(shelf.home / "decayed.iso", ns=(DATE, DATE))
    write(shelf.home / "waiting.iso", numbered(7), DATE + 5 * TICK)
    shelf.run("audit", "restored.iso", "decayed.iso", "waiting.iso", code=1)
    write(shelf.home / "restored.iso", numbered(9, DAMAGED), DATE + 9 * TICK)
    shelf.run("scan", "--fail-on", "never")
    lines = shelf.folder / "SHA256SUMS"
    lines.write_text(f"{'0' * 64}  other.iso\n")
    shelf.run("checksums", "expect", lines, code=1)
    shelf.run("audit", "other.iso", "sound.iso")
    write(shelf.home / "later.iso", DAMAGED, DATE)
    shelf.run("scan", "--fail-on", "never")
    write(shelf.home / "new.iso", numbered(8), DATE)
    return shelf


def words(name: str) -> str:
    """Return the state as people read it."""
    added = {"waiting.iso": ", waiting", "other.iso": f", {UNMET}"}
    return STATES[name] + added.get(name, "")


def cells(text: str, column: str) -> dict[str, str]:
    """Return a column of a table by the image of each row; its head is the first line."""
    lines = text.splitlines()
    at = lines[0].index(column)
    rows = [line for line in lines[1:] if ".iso " in line]
    return {line.split(" ")[0]: line[at:].split("  ")[0].strip() for line in rows}


def plan_of(shelf: Shelf, name: str) -> Path:
    plan = shelf.folder / "plan.toml"
    image = (shelf.home / name).as_posix()
    plan.write_text(
        f'name = "Kiosk"\ntargets = ["win9x"]\n[[disc]]\nimage = "{image}"\npad = true\n', "utf-8"
    )
    return plan


def is_good(name: str) -> bool:
    return STATES[name] == "sound"


def test_json_says_one_state(shelf: Shelf) -> None:
    """Own behaviour: damaged bytes that were restored were "recorded", and read by any system."""
    listed = {one["path"]: one for one in shelf.json("list")["images"]}
    found = {one["image"]["path"]: one["image"] for one in shelf.json("find", "iso")["images"]}
    shown = {name: shelf.json("show", shelf.home / name)["record"] for name in STATES}
    for answer in (listed, found, shown):
        assert {name: one["state"] for name, one in answer.items()} == STATES
        unmet = [
            name
            for name, one in answer.items()
            if [e["is_met"] for e in one["expected"]] == [False]
        ]
        assert unmet == ["other.iso"]
    fitting = {one["path"] for one in shelf.json("list", "-t", "win9x")["images"]}
    assert fitting == {name for name in STATES if is_good(name)}
    audited = {Path(one["file"]).name: one for one in shelf.json("audit", code=1)["images"]}
    assert {name: one["state"] for name, one in audited.items()} == {
        **STATES,
        "new.iso": "unrecorded",
    }
    again = {one["path"]: one["state"] for one in shelf.json("list")["images"]}
    assert again == STATES


def test_text_says_one_state(shelf: Shelf) -> None:
    expected = {name: words(name) for name in STATES}
    assert cells(shelf.run("list").stdout, "state") == expected
    assert cells(shelf.run("find", "--images", "iso").stdout, "state") == expected
    for name in STATES:
        said = shelf.run("show", shelf.home / name).stdout
        # Its findings are of the structures alone, and mostly none.
        why = "" if is_good(name) else "; mediashelf audit says why"
        assert f"home: {name}: {words(name)}{why}\n" in said
    assert cells(shelf.run("list", "-t", "win9x").stdout, "state") == {
        name: word for name, word in expected.items() if is_good(name)
    }


@pytest.mark.parametrize("name", STATES)
def test_a_session_says_the_same(shelf: Shelf, name: str) -> None:
    code = 0 if is_good(name) else 1
    plan = plan_of(shelf, name)
    rules = {one["rule"] for one in shelf.json("plan", "show", plan, code=code)["findings"]}
    assert ("damage-inside-on-record" in rules) == (STATES[name] == "damaged")
    assert ("bytes-as-published" in rules) == (name == "other.iso")
    card = shelf.folder / "card"
    card.mkdir()
    shelf.run("prepare", plan, "--to", card, code=0 if is_good(name) else BlockedError.exit_code)


def test_a_new_plan_leaves_out_what_a_list_does(shelf: Shelf) -> None:
    """Own behaviour: an image with damage inside was a disc of the draft."""
    draft = shelf.run("plan", "new", "home", "-t", "win9x").stdout
    lines = [line for line in draft.splitlines() if line.startswith("image = ")]
    used = {name for name in STATES if any(line.endswith(f'{name}"') for line in lines)}
    assert used <= {name for name in STATES if is_good(name)}
    assert "sound.iso" in used
    for name in ("damaged.iso", "decayed.iso", "waiting.iso"):
        assert f"{words(name)}; see mediashelf audit" in draft


def test_an_image_without_a_record_is_in_no_list(shelf: Shelf) -> None:
    assert "new.iso" not in shelf.run("list").stdout
    assert shelf.json("show", shelf.home / "new.iso")["record"] is None
    said = " ".join(shelf.run("audit", shelf.home / "new.iso").stdout.split())
    assert "1 no record" in said


def test_mending_brings_back_the_damage_of_the_bytes(shelf: Shelf) -> None:
    """Own behaviour: an image was "recorded" once it was mended from a copy."""
    overwrite(shelf.home / "damaged.iso", 40_000, b"\xff")
    os.utime(shelf.home / "damaged.iso", ns=(DATE, DATE))
    shelf.run("audit", "damaged.iso", code=1)
    damaged, copy = shelf.home / "damaged.iso", shelf.home / "copy.iso"
    shelf.run("mend", damaged, "--from", copy, "-o", damaged, "--replace", code=1)
    states = {one["path"]: one["state"] for one in shelf.json("list")["images"]}
    assert states == STATES


def test_what_the_keeper_acknowledged_stays_so_when_the_bytes_are_back(shelf: Shelf) -> None:
    words = ("--acknowledge", "cabinet-checksums-agree", "--why", "we do not need it")
    shelf.run("audit", "restored.iso", *words)
    overwrite(shelf.home / "restored.iso", 40_000, b"\xff")
    shelf.run("audit", "restored.iso", code=1)
    write(shelf.home / "restored.iso", numbered(9, DAMAGED), DATE + 11 * TICK)
    shelf.run("scan", "--fail-on", "never")
    assert cells(shelf.run("list", "--name", "restored").stdout, "state") == {
        "restored.iso": "damaged (acknowledged)"
    }
    assert "restored.iso" in shelf.run("list", "-t", "win9x").stdout
    shelf.run("audit", "restored.iso")


@pytest.mark.parametrize("name", ["damaged.iso", "copy.iso", "later.iso", "restored.iso"])
def test_mending_says_that_the_record_is_of_damaged_bytes(shelf: Shelf, name: str) -> None:
    """Own behaviour: it said "as recorded: nothing to mend" and no more."""
    document = shelf.json("mend", shelf.home / name, "-n", code=1)
    assert document["outcome"] == "as-recorded"
    assert [each["rule"] for each in document["findings"]] == ["record-is-of-sound-image"]


def test_mending_says_nothing_of_a_sound_image(shelf: Shelf) -> None:
    assert shelf.json("mend", shelf.home / "sound.iso", "-n")["findings"] == []
