"""``mediashelf describe``: words that belong to bytes, shown everywhere, out and in as CSV."""

from __future__ import annotations

import csv
import io
import shutil
from pathlib import Path

import pytest

from cli_runs import Shelf
from made_library import DATE, tide_image, write
from make_image import make_iso, put


@pytest.fixture
def shelf(tmp_path: Path) -> Shelf:
    made = Shelf.with_shelves(tmp_path, "home", "card")
    for number in (1, 2, 3):
        data = tide_image(number, label=f"TIDE{number}")
        write(made.home / f"tide-{number}.iso", data, DATE)
    made.run("scan")
    return made


def words(shelf: Shelf, name: str) -> dict[str, object]:
    (image,) = shelf.json("describe", name)["images"]
    described: dict[str, object] = image["description"]
    return described


def say_all(shelf: Shelf, name: str = "tide-1.iso") -> None:
    shelf.run(
        *("describe", name, "--note", "scratched\nreads slowly", "--tag", "kiosk", "--tag", "Öl"),
        *("--place", "box 3, attic", "--part-number", "LK-2041", "--set", "Kiosk 1/3"),
    )


def test_everything_is_kept_and_shown(shelf: Shelf) -> None:
    say_all(shelf)
    assert words(shelf, "tide-1.iso") == {
        "note": "scratched\nreads slowly",
        "tags": ["kiosk", "Öl"],
        "place": "box 3, attic",
        "part_number": "LK-2041",
    }
    assert shelf.run("describe", "tide-1.iso").stdout.splitlines() == [
        "home: tide-1.iso",
        "  tags: kiosk, Öl",
        "  set: Kiosk 1/3",
        "  place: box 3, attic",
        "  part number: LK-2041",
        "  note: scratched",
        "  note: reads slowly",
    ]
    assert "nothing is said of it yet" in shelf.run("describe", "tide-2.iso").stdout


def test_what_is_not_named_stays_and_an_empty_text_takes_back(shelf: Shelf) -> None:
    say_all(shelf)
    shelf.run("describe", "tide-1.iso", "--place", "", "--no-tag", "KIOSK", "--set", "")
    assert words(shelf, "tide-1.iso") == {
        "note": "scratched\nreads slowly",
        "tags": ["Öl"],
        "place": "",
        "part_number": "LK-2041",
    }
    assert shelf.json("list", "--name", "tide-1.iso")["images"][0]["set"] is None


def test_they_are_the_words_on_bytes_not_on_a_path(shelf: Shelf) -> None:
    say_all(shelf)
    before = words(shelf, "tide-1.iso")
    (shelf.home / "tide-1.iso").rename(shelf.folder / "card" / "other name.iso")
    shutil.copy(shelf.home / "tide-2.iso", shelf.home / "tide-1.iso")
    shelf.run("scan")
    assert words(shelf, "card: other name.iso") == before
    assert words(shelf, "home: tide-1.iso")["note"] == ""
    shutil.copy(shelf.folder / "card" / "other name.iso", shelf.home / "copy.iso")
    shelf.run("scan")
    assert words(shelf, "copy.iso") == before


def test_a_shelf_that_is_dropped_and_added_has_them_again(shelf: Shelf) -> None:
    say_all(shelf)
    before = words(shelf, "tide-1.iso")
    shelf.run("shelf", "drop", "home", "--yes")
    shelf.run("shelf", "add", shelf.home)
    shelf.run("scan")
    assert words(shelf, "tide-1.iso") == before


def test_accepted_bytes_take_them_over(shelf: Shelf) -> None:
    say_all(shelf)
    before = words(shelf, "tide-1.iso")
    write(shelf.home / "tide-1.iso", tide_image(77, label="TIDE1"))
    shelf.run("scan", code=1)
    assert words(shelf, "tide-1.iso") == before
    shelf.run("scan", "--accept", shelf.home / "tide-1.iso")
    assert words(shelf, "tide-1.iso") == before


def test_the_history_keeps_earlier_words(shelf: Shelf) -> None:
    shelf.run("describe", "tide-1.iso", "--place", "attic")
    shelf.run("describe", "tide-1.iso", "--place", "cellar")
    history = shelf.json("show", "--history", "tide-1.iso")["history"]
    assert [(one["event"], one["detail"]) for one in history[1:]] == [
        ("described", "place: attic"),
        ("described", "place: cellar (was attic)"),
    ]


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (("--set", "4/3"), "a set of 3 discs has no disc 4"),
        (("--set", "second"), "write it like 2/3"),
        (("--tag", "a,b"), "is not a tag"),
        (("--tag", "x" * 61), "60 characters at most"),
        (("--place", "a\x1b[2J"), "may not contain control characters"),
    ],
)
def test_what_cannot_be_said(shelf: Shelf, options: tuple[str, str], said: str) -> None:
    result = shelf.run("describe", "home:*", *options, code=3)
    assert said in " ".join(result.stderr.split())
    assert "\x1b" not in result.stderr
    assert not any(one["description"]["tags"] for one in shelf.json("list")["images"])


def test_an_image_without_a_record_cannot_be_described(shelf: Shelf) -> None:
    write(shelf.home / "new.iso", tide_image(9))
    assert "is not on record" in shelf.run("describe", shelf.home / "new.iso", code=3).stderr


def test_the_list_filters_and_sorts_by_them(shelf: Shelf) -> None:
    shelf.run("describe", "home:*", "--tag", "kiosk")
    shelf.run("describe", "tide-2.iso", "--set", "Kiosk 1/2", "--no-tag", "kiosk")
    listed = shelf.json("list", "--tag", "KIOSK")["images"]
    assert [one["path"] for one in listed] == ["tide-1.iso", "tide-3.iso"]
    out = shelf.run("list", "--columns", "image,set,tags", "--sort", "set", "--reverse").stdout
    lines = [line.split() for line in out.splitlines()]
    assert lines[:2] == [
        ["image", "set", "tags"],
        ["tide-2.iso", "Kiosk,", "disc", "1", "of", "2"],
    ]
    assert "Kiosk: disc 2 of 2 not among these" in out
    shelf.width = 140
    assert "set" in shelf.run("list", "--shelf", "home").stdout.splitlines()[0].split()
    shelf.width = 90  # room for the usual columns alone
    first = shelf.run("list", "--shelf", "home").stdout.splitlines()[0].split()
    assert first == ["image", "shelf", "label", "volumes", "size", "state", "findings"]
    shelf.width = 100
    assert "did you mean 'image'" in shelf.run("list", "--columns", "imag", code=2).output


def test_the_descriptors_say_which_disc_of_a_set_it_is(shelf: Shelf) -> None:
    made = make_iso({"A.TXT": b"x"}, label="SET3")
    # ECMA-119 8.4.9, 8.4.10 and 8.4.19: disc 3 of 3 of KIOSK SET
    data = put(made.data, 16 * 2048 + 120, bytes([3, 0, 0, 3, 3, 0, 0, 3]))
    write(shelf.home / "set3.iso", put(data, 16 * 2048 + 190, b"KIOSK SET".ljust(128)))
    shelf.run("scan")
    listed = shelf.json("list")
    (image,) = [one for one in listed["images"] if one["path"] == "set3.iso"]
    assert image["set"] == {"name": "KIOSK SET", "number": 3, "size": 3}
    assert listed["gaps"] == [{"name": "KIOSK SET", "size": 3, "missing": [1, 2]}]
    shelf.run("describe", "set3.iso", "--set", "Kiosk 1/2")  # the keeper knows better
    (image,) = shelf.json("list", "--name", "set3.iso")["images"]
    assert image["set"] == {"name": "Kiosk", "number": 1, "size": 2}


def test_words_go_out_and_come_back(shelf: Shelf) -> None:
    say_all(shelf)
    shelf.run("describe", "tide-2.iso", "--note", '=1+1 "quoted", and a comma', "--tag", "@home")
    before = shelf.json("list")["images"]
    table = shelf.folder / "words.csv"
    table.write_bytes(shelf.run("list", "--csv").stdout_bytes)
    shelf.run("describe", "home:*", "--note", "", "--place", "", "--part-number", "", "--set", "")
    for tag in ("kiosk", "Öl", "@home"):
        shelf.run("describe", "home:*", "--no-tag", tag)
    assert all(one["description"]["note"] == "" for one in shelf.json("list")["images"])
    for words in (
        "words on 2 images changed, 1 as before",
        "words on 0 images changed, 3 as before",
    ):
        assert words in " ".join(shelf.run("describe", "--from", table).stdout.split())
    assert shelf.json("list")["images"] == before


def test_a_table_is_taken_whole_or_not_at_all(shelf: Shelf) -> None:
    table = shelf.folder / "words.csv"
    table.write_text(
        'shelf,image,tags\r\nhome,tide-1.iso,good\r\nhome,tide-2.iso,"a\x07b"\r\n', newline=""
    )
    said = shelf.run("describe", "--from", table, code=3).stderr
    assert "nothing of it was taken over" in " ".join(said.split())
    assert words(shelf, "tide-1.iso")["tags"] == []
    table.write_text("shelf,image,tags\r\nhome,tide-1.iso,good\r\nhome,gone.iso,x\r\n", newline="")
    said = shelf.run("describe", "--from", table, code=3).stderr
    assert "line 3: gone.iso: no such image is on record" in said
    assert words(shelf, "tide-1.iso")["tags"] == ["good"]
    table.write_text("name,colour\r\nx,y\r\n", newline="")
    assert "expected digest, or shelf and image" in shelf.run(
        "describe", "--from", table, code=4
    ).stderr.replace("\n", " ")


def test_csv_is_rfc_4180(shelf: Shelf) -> None:
    say_all(shelf)
    text = shelf.run("list", "--csv").stdout_bytes.decode()
    assert text.count("\r\n") == 4
    rows = list(csv.reader(io.StringIO(text, newline="")))
    assert len({len(row) for row in rows}) == 1
    first = dict(zip(rows[0], rows[1], strict=True))
    assert (first["shelf"], first["image"], first["label"]) == ("home", "tide-1.iso", "TIDE1")
    assert first["size"] == str((shelf.home / "tide-1.iso").stat().st_size)
    assert first["note"] == "scratched\nreads slowly"
    assert first["set"] == "Kiosk 1/3"
    narrow = shelf.run("list", "--csv", "--columns", "image,digest").stdout
    assert narrow.splitlines()[0] == "image,digest"


def test_in_a_pipe_each_image_is_one_line(shelf: Shelf, monkeypatch: pytest.MonkeyPatch) -> None:
    from click.testing import CliRunner

    from mediashelf.cli.main import main

    shelf.run("describe", "home:*", "--note", "long " * 60)
    monkeypatch.delenv("COLUMNS", raising=False)
    answer = CliRunner().invoke(
        main,
        ["list", "-q", "--columns", "image,shelf,note", "--catalogue", str(shelf.catalogue)],
    )
    assert len(answer.stdout.splitlines()) == 4
    assert all("home" in line for line in answer.stdout.splitlines()[1:])


@pytest.mark.parametrize("width", [40, 80])
def test_a_narrow_terminal(shelf: Shelf, width: int) -> None:
    say_all(shelf)
    shelf.width = width
    for command in (("describe", "tide-1.iso"), ("list", "--columns", "image,shelf,note,place")):
        assert max(map(len, shelf.run(*command).stdout.splitlines())) <= width


def test_show_says_what_the_disc_is_and_what_is_said_of_it(shelf: Shelf) -> None:
    say_all(shelf)
    files = {"KIOSK/SETUP.EXE": b"", "KIOSK/PRECOPY1.CAB": b""}
    names = {"KIOSK/SETUP.EXE": "Приливы.exe"}
    data = make_iso(files, joliet=3, long_names=names).data
    write(shelf.home / "setup.iso", data)
    lines = shelf.run("show", shelf.home / "setup.iso").stdout.splitlines()
    assert "names in   Cyrillic" in lines
    assert "installer  win9x, by the files in /KIOSK (common practice)" in lines
    lines = shelf.run("show", "tide-1.iso").stdout.splitlines()
    assert "on record  home: tide-1.iso: recorded" in lines
    assert "place      box 3, attic" in lines
    record = shelf.json("show", "tide-1.iso")["record"]
    assert record["description"]["tags"] == ["kiosk", "Öl"]
    assert shelf.json("show", shelf.home / "setup.iso")["record"] is None


def test_other_copies_of_the_bytes_are_named(shelf: Shelf) -> None:
    shutil.copyfile(shelf.home / "tide-1.iso", shelf.folder / "card" / "one.iso")
    shutil.copyfile(shelf.home / "tide-1.iso", shelf.folder / "card" / "two.iso")
    shelf.run("scan")
    said = shelf.run("describe", "tide-1.iso", "--tag", "kiosk").stdout.splitlines()
    assert said[-2:] == ["  copy: card: one.iso (recorded)", "  copy: card: two.iso (recorded)"]
    (image,) = shelf.json("describe", "one.iso")["images"]
    assert [(one["path"], one["state"]) for one in image["copies"]] == [
        ("two.iso", "recorded"),
        ("tide-1.iso", "recorded"),
    ]
    (shelf.folder / "card" / "two.iso").unlink()
    write(shelf.folder / "card" / "one.iso", tide_image(8, label="OTHER"))
    shelf.run("scan", code=1)
    shown = shelf.run("show", shelf.home / "tide-1.iso").stdout.splitlines()
    # The bytes of the first are others now; the second is gone, and its record is not.
    assert [line for line in shown if line.startswith("copy")] == [
        "copy       card: two.iso (missing)"
    ]
    assert [one["path"] for one in shelf.json("show", shelf.home / "tide-1.iso")["copies"]] == [
        "two.iso"
    ]
    # The record of the first is still that of the earlier bytes.
    changed = shelf.json("show", shelf.folder / "card" / "one.iso")
    assert [one["path"] for one in changed["copies"]] == ["two.iso", "tide-1.iso"]
    assert shelf.json("show", shelf.home / "tide-2.iso")["copies"] == []
    assert "copy" not in shelf.run("describe", "tide-2.iso").stdout


def test_of_many_copies_the_first_are_named(shelf: Shelf) -> None:
    for number in range(8):
        shutil.copyfile(shelf.home / "tide-1.iso", shelf.folder / "card" / f"{number}.iso")
    shelf.run("scan")
    said = shelf.run("describe", "tide-1.iso").stdout.splitlines()
    assert said[-2:] == [
        "  copy: card: 4.iso (recorded)",
        "  copies: 3 more, see mediashelf list --duplicates",
    ]
