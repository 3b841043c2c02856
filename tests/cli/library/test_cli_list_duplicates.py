"""``mediashelf list --duplicates``: copies by content, the same disc in other bytes."""

from __future__ import annotations

import csv
import gzip
import io
import lzma
import os
from pathlib import Path

import pytest

from cli_runs import Shelf
from made_library import DATE, overwrite, tide_image, write
from make_raw import mode_1_image
from make_wrappings import make_zip

MIB = 1 << 20


@pytest.fixture
def shelf(tmp_path: Path) -> Shelf:
    shelf = Shelf(tmp_path)
    shelf.home.mkdir()
    (tmp_path / "card").mkdir()
    shelf.run("shelf", "add", shelf.home)
    shelf.run("shelf", "add", tmp_path / "card")
    return shelf


def named(groups: list[dict[str, object]]) -> list[list[str]]:
    return [[image["path"] for image in group["images"]] for group in groups]  # type: ignore[attr-defined]


def test_copies_are_grouped_over_all_shelves_with_what_they_take_up(
    shelf: Shelf, tmp_path: Path
) -> None:
    small, large = tide_image(), tide_image(1, mebibytes=2, label="EBB")
    write(shelf.home / "tide.iso", small, DATE)
    write(tmp_path / "card" / "t.iso", small, DATE)
    write(shelf.home / "ebb.iso", large, DATE)
    write(tmp_path / "card" / "e.iso", large, DATE)
    write(tmp_path / "card" / "e2.iso", large, DATE)
    write(shelf.home / "alone.iso", tide_image(2), DATE)
    shelf.run("scan")
    found = shelf.json("list", "--duplicates")
    assert named(found["duplicates"]) == [["e.iso", "e2.iso", "ebb.iso"], ["t.iso", "tide.iso"]]
    assert [group["to_free"] for group in found["duplicates"]] == [2 * len(large), len(small)]
    assert found["to_free"] == 2 * len(large) + len(small)
    out = shelf.run("list", "--duplicates").stdout
    assert "3 copies of 2.1 MiB" in out
    assert "home: ebb.iso" in out
    assert "one copy of each stays. Nothing was deleted" in " ".join(out.split())
    # Filters choose among which images is asked.
    assert named(shelf.json("list", "--duplicates", "--shelf", "card")["duplicates"]) == [
        ["e.iso", "e2.iso"]
    ]


def test_the_copy_that_was_confirmed_last_is_named(shelf: Shelf, tmp_path: Path) -> None:
    write(shelf.home / "tide.iso", tide_image(), DATE)
    write(tmp_path / "card" / "t.iso", tide_image(), DATE)
    shelf.run("scan")
    from mediashelf.catalogue.store import open_catalogue

    with open_catalogue(shelf.catalogue) as catalogue:
        catalogue.db.execute(
            "UPDATE fixity SET recorded_at = '2001-01-01T00:00:00Z', "
            "confirmed_at = '2001-01-01T00:00:00Z' WHERE image_id = "
            "(SELECT id FROM images WHERE path = ?)",
            [b"t.iso"],
        )
    (group,) = shelf.json("list", "--duplicates")["duplicates"]
    assert group["confirmed_last"] == "home: tide.iso"
    lines = shelf.run("list", "--duplicates").stdout.splitlines()
    (line,) = [line for line in lines if "confirmed last" in line]
    assert "home: tide.iso" in line


def test_a_link_takes_up_nothing_and_a_missing_copy_is_none(shelf: Shelf, tmp_path: Path) -> None:
    data = tide_image()
    write(shelf.home / "tide.iso", data, DATE)
    os.link(shelf.home / "tide.iso", shelf.home / "same.iso")
    gone = write(tmp_path / "card" / "gone.iso", data, DATE)
    write(tmp_path / "card" / "other.iso", tide_image(5), DATE)
    shelf.run("scan")
    gone.unlink()
    shelf.run("audit", code=1)
    found = shelf.json("list", "--duplicates")
    (group,) = found["duplicates"]
    assert [image["path"] for image in group["images"]] == ["same.iso", "tide.iso"]
    assert [image["is_link"] for image in group["images"]] == [False, True]
    assert (group["to_free"], found["to_free"]) == (0, 0)
    told = shelf.run("list", "--duplicates").stdout
    assert "a link, takes up nothing" in " ".join(told.split())


def test_bytes_that_wait_to_be_accepted_are_no_copy(shelf: Shelf, tmp_path: Path) -> None:
    write(shelf.home / "tide.iso", tide_image(), DATE)
    other = write(tmp_path / "card" / "t.iso", tide_image(), DATE)
    shelf.run("scan")
    overwrite(other, 40_000, b"\x01\x02\x03")
    shelf.run("audit", code=1)
    assert shelf.json("list", "--duplicates")["duplicates"] == []


def test_zeros_after_the_end_are_proved_only_where_digests_show_it(
    shelf: Shelf, tmp_path: Path
) -> None:
    plain = tide_image(mebibytes=2)
    even = plain + bytes(-len(plain) % MIB)
    assert len(even) % MIB == 0
    write(shelf.home / "even.iso", even, DATE)
    write(shelf.home / "padded.iso", even + bytes(MIB + 2048), DATE)
    write(shelf.home / "odd.iso", even + b"\x07" * 2048, DATE)
    write(shelf.home / "short.iso", plain, DATE)
    shelf.run("scan")
    (same,) = shelf.json("list", "--duplicates")["same_discs"]
    assert same["first"]["path"] == "short.iso"
    assert {each["image"]["path"] for each in same["others"]} == {
        "even.iso",
        "padded.iso",
        "odd.iso",
    }
    assert not any(each["is_proved"] for each in same["others"])
    (shelf.home / "short.iso").unlink()
    shelf.run("audit", code=1)
    (same,) = shelf.json("list", "--duplicates")["same_discs"]
    told = {each["image"]["path"]: each for each in same["others"]}
    assert told["padded.iso"]["is_proved"] is True
    assert told["padded.iso"]["likeness"] == "padded"
    assert told["odd.iso"]["is_proved"] is False
    assert told["odd.iso"]["likeness"] == "other-length"
    assert (told["odd.iso"]["equal_blocks"], told["odd.iso"]["blocks"]) == (3, 3)
    out = " ".join(shelf.run("list", "--duplicates").stdout.split())
    assert "the same bytes, then zeros, proved by digests" in out
    assert "mediashelf compare 'home: even.iso' 'home: odd.iso'" in out


def test_raw_sectors_look_like_the_plain_disc_and_decay_like_the_disc_it_was(
    shelf: Shelf, tmp_path: Path
) -> None:
    plain = tide_image(mebibytes=1)
    write(shelf.home / "tide.iso", plain, DATE)
    write(shelf.home / "tide.bin", mode_1_image(plain), DATE)
    decayed = bytearray(plain)
    decayed[-MIB // 2] ^= 0xFF
    write(tmp_path / "card" / "tide.iso", bytes(decayed), DATE)
    write(shelf.home / "other.iso", tide_image(9, mebibytes=1), DATE)
    shelf.run("scan")
    (same,) = shelf.json("list", "--duplicates")["same_discs"]
    told = {each["image"]["path"]: each["likeness"] for each in same["others"]}
    paths = {same["first"]["path"], *told}
    assert "tide.bin" in paths
    assert told["tide.bin"] == "other-sectors"
    assert "other-bytes" in told.values()
    out = " ".join(shelf.run("list", "--duplicates").stdout.split())
    assert "Looks like the same disc in other bytes" in out
    assert "proved" not in out
    assert "No image is there twice with the same bytes" in out


def test_csv_has_one_row_an_image(shelf: Shelf, tmp_path: Path) -> None:
    data = tide_image(mebibytes=1)
    write(shelf.home / "tide.iso", data, DATE)
    write(tmp_path / "card" / "t.iso", data, DATE)
    write(shelf.home / "raw.bin", mode_1_image(data), DATE)
    shelf.run("scan")
    out = shelf.run("list", "--duplicates", "--csv").stdout_bytes.decode("utf-8")
    rows = list(csv.DictReader(io.StringIO(out, newline="")))
    told = [(row["group"], row["relation"], row["image"], row["to-free"]) for row in rows]
    assert told == [
        ("1", "copy", "t.iso", str(len(data))),
        ("1", "copy", "tide.iso", ""),
        ("2", "first", "t.iso", ""),
        ("2", "other-sectors", "raw.bin", ""),
    ]
    assert [row["is-proved"] for row in rows] == ["yes", "yes", "no", "no"]


def test_bytes_in_an_archive_are_proved_by_their_digest_and_else_look_alike(shelf: Shelf) -> None:
    plain = tide_image(mebibytes=1)
    other = bytearray(plain)
    other[-500_000] ^= 0xFF  # in the contents of a file: nothing that its names tell
    write(shelf.home / "tide.iso", plain, DATE)
    write(shelf.home / "tide.iso.gz", gzip.compress(plain, mtime=0), DATE)
    write(shelf.home / "tide.iso.xz", lzma.compress(plain), DATE)
    write(shelf.home / "two.zip", make_zip({"a.iso": plain, "READ.ME": b"text"}), DATE)
    write(shelf.home / "other.iso.gz", gzip.compress(bytes(other), mtime=0), DATE)
    write(shelf.home / "raw.bin", mode_1_image(plain), DATE)
    shelf.run("scan")
    (same,) = shelf.json("list", "--duplicates")["same_discs"]
    assert same["first"]["path"] == "tide.iso"
    told = {each["image"]["path"]: (each["likeness"], each["is_proved"]) for each in same["others"]}
    assert told == {
        "tide.iso.gz": ("wrapped", True),
        "tide.iso.xz": ("wrapped", True),
        "two.zip": ("wrapped", True),
        "other.iso.gz": ("wrapped", False),
        "raw.bin": ("other-sectors", False),
    }
    out = " ".join(shelf.run("list", "--duplicates").stdout.split())
    assert "Looks like the same disc in other bytes: TIDE" in out
    assert "in a compressed file or archive, proved by digests" in out


def test_two_wrappings_of_the_same_bytes_without_the_plain_image(shelf: Shelf) -> None:
    plain = tide_image()
    write(shelf.home / "a.zip", make_zip({"tide.iso": plain}), DATE)
    write(shelf.home / "b.iso.gz", gzip.compress(plain, mtime=0), DATE)
    shelf.run("scan")
    (same,) = shelf.json("list", "--duplicates")["same_discs"]
    assert same["first"]["path"] == "a.zip"
    assert [(one["image"]["path"], one["is_proved"]) for one in same["others"]] == [
        ("b.iso.gz", True)
    ]
    damaged = bytearray((shelf.home / "b.iso.gz").read_bytes())
    damaged[-6] ^= 1  # its checksum
    write(shelf.home / "b.iso.gz", bytes(damaged), DATE)
    shelf.run("audit", code=1)
    assert shelf.json("list", "--duplicates")["same_discs"] == []


def test_an_audit_adds_what_a_record_of_before_does_not_know(shelf: Shelf) -> None:
    from mediashelf.catalogue.store import open_catalogue

    plain = tide_image()
    write(shelf.home / "tide.iso", plain, DATE)
    write(shelf.home / "tide.iso.gz", gzip.compress(plain, mtime=0), DATE)
    shelf.run("scan")
    with open_catalogue(shelf.catalogue) as catalogue:
        catalogue.db.execute("DELETE FROM bytes_inside")
    (same,) = shelf.json("list", "--duplicates")["same_discs"]
    assert [one["is_proved"] for one in same["others"]] == [False]
    shelf.run("audit")
    (same,) = shelf.json("list", "--duplicates")["same_discs"]
    assert [one["is_proved"] for one in same["others"]] == [True]
