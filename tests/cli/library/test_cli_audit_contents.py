"""``mediashelf audit --depth contents``, as a person runs them."""

from __future__ import annotations

import os
import random
from collections.abc import Iterator
from pathlib import Path

import pytest

from cli_runs import Shelf
from made_library import DATE, TICK, overwrite, write
from make_files import make_cabinet, make_pe
from make_image import MadeImage, flip, make_iso, zero
from mediashelf.errors import BlockedError
from mediashelf.formats.packed.signatures import ContentFormat
from mediashelf.integrity.inside import contents
from mediashelf.integrity.inside.selfchecks.faults import Fault

CABINET = make_cabinet([{"LKVX3.SYS": b"driver " * 9000}])
FILES = {"SETUP.EXE": make_pe().data, "DATA1.CAB": CABINET.data, "README.TXT": b"read me\r\n"}


@pytest.fixture
def made() -> MadeImage:
    return make_iso(FILES, joliet=3)


@pytest.fixture
def shelf(tmp_path: Path, made: MadeImage) -> Shelf:
    """One image that was already damaged when it was recorded, and one that is sound."""
    shelf = Shelf.with_shelves(tmp_path, "home")
    at = made.file("/DATA1.CAB") + CABINET.at("data 0.1") + 5
    write(shelf.home / "damaged.iso", flip(made.data, at), DATE)
    write(shelf.home / "sound.iso", made.data, DATE)
    shelf.run("scan")
    return shelf


def test_damage_that_nobody_recorded_is_found_and_named(shelf: Shelf) -> None:
    assert "2 images: 2 sound." in shelf.run("audit").stdout
    out = " ".join(shelf.run("audit", "--depth", "contents", code=1).stdout.split())
    assert "error cabinet-checksums-agree /DATA1.CAB: data block 1 of folder 0" in out
    assert "hit: LKVX3.SYS" in out
    assert "2 images: 1 damaged, 1 sound." in out
    assert "Files inside: 6 read, 2 without checksums of their own" in out
    assert "archives inside archives not followed" in out
    assert "cabinet: 2 files, 1 faulty; verified: data block checksums (3)." in out
    assert "program: 2 files; verified: PE sections (6), PE checksums (2)." in out
    assert "was not checked" not in out


def test_what_a_deep_audit_found_is_not_forgotten_by_a_shallower_one(shelf: Shelf) -> None:
    shelf.run("audit", "--depth", "contents", code=1)
    out = " ".join(shelf.run("audit", code=1).stdout.split())
    assert "error damage-inside-on-record" in out
    assert "2 images: 1 damaged, 1 sound." in out
    rows = {row["path"]: row["state"] for row in shelf.json("list")["images"]}
    assert rows == {"damaged.iso": "damaged", "sound.iso": "sound"}


def test_other_bytes_are_judged_anew(shelf: Shelf, made: MadeImage) -> None:
    shelf.run("audit", "--depth", "contents", code=1)
    overwrite(shelf.home / "damaged.iso", made.file("/README.TXT"), b"READ")
    out = shelf.run("audit", code=1).stdout
    assert "damage-inside-on-record" not in out
    assert "bytes-as-recorded" in out


def test_json_says_what_was_verified(shelf: Shelf) -> None:
    document = shelf.json("audit", "--depth", "contents", code=1)
    assert document["depth"] == "contents"
    images = {image["where"]: image for image in document["images"]}
    inside = images["home: damaged.iso"]["files_inside"]
    assert inside["files"] == 3
    assert inside["formats"]["cabinet"]["faulty_files"] == 1
    (finding,) = document["findings"]
    assert finding["where"] == "/DATA1.CAB"
    assert finding["offset"] is not None
    assert finding["length"] > 0
    shallow = shelf.json("audit", "--depth", "digests", code=1)
    assert [image["files_inside"] for image in shallow["images"]] == [None, None]


def test_an_image_without_a_record_is_looked_into_as_well(
    shelf: Shelf, made: MadeImage, tmp_path: Path
) -> None:
    at = made.file("/DATA1.CAB") + CABINET.at("data 0.0") + 5
    path = tmp_path / "other.iso"
    path.write_bytes(flip(made.data, at))
    out = shelf.run("audit", path, "--depth", "contents", code=1).stdout
    assert "cabinet-checksums-agree" in out


def test_a_gap_that_a_failed_read_left_is_noted(shelf: Shelf) -> None:
    noise = random.Random(1).randbytes(40_000)
    made = make_iso({"A.DAT": noise})
    path = shelf.folder / "gap.iso"
    path.write_bytes(zero(made.data, made.file("/A.DAT") + 4096))
    out = " ".join(shelf.run("audit", path, "--depth", "contents").stdout.split())
    assert "note zeros-amid-data /A.DAT: 1 sector of zeros from byte 4,096 on" in out
    assert "Gaps of zeros amid dense data were looked for" in out


def test_the_files_hit_are_named_again_by_a_shallower_audit(shelf: Shelf) -> None:
    shelf.run("audit", "--depth", "contents", code=1)
    (image,) = [
        image for image in shelf.json("audit", code=1)["images"] if image["state"] == "damaged"
    ]
    assert [finding["rule"] for finding in image["findings"]] == [
        "damage-inside-on-record",
        "cabinet-checksums-agree",
    ]
    assert [entry["path"] for entry in image["touched"]] == ["/DATA1.CAB"]


def copy_of_damaged(shelf: Shelf, made: MadeImage) -> None:
    """Add an image with the bytes of the damaged one, which no audit has looked into."""
    write(shelf.home / "copy.iso", (shelf.home / "damaged.iso").read_bytes(), DATE)
    shelf.run("scan")
    shelf.run("audit", "damaged.iso", "--depth", "contents", code=1)


def test_damage_inside_holds_for_every_copy_on_record(shelf: Shelf, made: MadeImage) -> None:
    """Own behaviour: a copy of the damaged image was called sound."""
    copy_of_damaged(shelf, made)
    listed = shelf.json("list")["images"]
    assert {row["path"]: row["state"] for row in listed} == {
        "copy.iso": "damaged",
        "damaged.iso": "damaged",
        "sound.iso": "recorded",
    }
    history = " ".join(shelf.run("show", "--history", "copy.iso").stdout.split())
    assert "damaged (audit) the audit of" in history
    for _ in range(2):
        out = " ".join(shelf.run("audit", "copy.iso", code=1).stdout.split())
        assert "found damage inside home: damaged.iso, which has the same bytes" in out
        assert "cabinet-checksums-agree" in out
        assert "1 image: 1 damaged." in out


def test_damage_inside_holds_for_a_copy_without_a_record(shelf: Shelf, made: MadeImage) -> None:
    """Own behaviour: "sound", with the damaged image as the reason."""
    copy_of_damaged(shelf, made)
    loose = shelf.folder / "loose.iso"
    loose.write_bytes((shelf.home / "damaged.iso").read_bytes())
    (image,) = shelf.json("audit", loose, code=1)["images"]
    assert image["state"] == "damaged"
    assert image["findings"][0]["rule"] == "damage-inside-on-record"
    loose.write_bytes(made.data)
    assert shelf.json("audit", loose)["images"][0]["state"] == "sound"


def test_an_audit_as_deep_that_finds_copies_sound_settles_it(
    shelf: Shelf, made: MadeImage, monkeypatch: pytest.MonkeyPatch
) -> None:
    copy_of_damaged(shelf, made)

    def find_none(view: object, tally: object) -> Iterator[Fault]:
        return iter(())

    monkeypatch.setitem(contents._FAULT_ITERATORS, ContentFormat.CABINET, find_none)
    shelf.run("audit", "copy.iso", "--depth", "contents")
    states = {row["path"]: row["state"] for row in shelf.json("list")["images"]}
    assert (states["copy.iso"], states["damaged.iso"]) == ("sound", "recorded")


def test_an_image_that_an_audit_found_damaged_inside_blocks_a_session(shelf: Shelf) -> None:
    """Own behaviour: it was copied without a word, although ``list --target`` left it out."""
    plan, card = shelf.folder / "plan.toml", shelf.folder / "card"
    card.mkdir()
    image = (shelf.home / "damaged.iso").as_posix()
    plan.write_text(
        f'name = "Kiosk"\ntargets = ["win9x"]\n[[disc]]\nimage = "{image}"\npad = true\n',
        "utf-8",
    )
    shelf.run("plan", "show", plan)
    shelf.run("audit", "--depth", "contents", code=1)
    rules = {one["rule"] for one in shelf.json("plan", "show", plan, code=1)["findings"]}
    assert {"damage-inside-on-record", "cabinet-checksums-agree"} <= rules
    shelf.run("prepare", plan, "--to", card, code=BlockedError.exit_code)
    words = ("--acknowledge", "cabinet-checksums-agree", "--why", "we do not need it")
    shelf.run("audit", "damaged.iso", *words)
    shelf.run("prepare", plan, "--to", card)


@pytest.mark.parametrize("between", ["decayed", "changed", "missing", "forgotten"])
def test_damage_inside_is_known_after_other_bytes_were_there(shelf: Shelf, between: str) -> None:
    """Own behaviour: bytes that decayed and were restored were "sound" then."""
    place = shelf.home / "damaged.iso"
    data = place.read_bytes()
    shelf.run("audit", "--depth", "contents", code=1)
    if between == "forgotten":
        shelf.run("shelf", "drop", "home", "--yes")
        shelf.run("shelf", "add", shelf.home)
        shelf.run("scan")
    elif between == "missing":
        place.unlink()
        shelf.run("scan", code=1)
    else:
        overwrite(place, 40_000, b"\xff")
        date = DATE if between == "decayed" else DATE + 5 * TICK
        os.utime(place, ns=(date, date))
        shelf.run("audit", code=1)
    write(place, data, DATE)
    shelf.run("scan", "--fail-on", "never")
    (image,) = shelf.json("audit", "damaged.iso", code=1)["images"]
    assert image["state"] == "damaged"
    assert "cabinet-checksums-agree" in {each["rule"] for each in image["findings"]}
