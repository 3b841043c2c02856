"""``checksums expect`` and ``export``: published digests beside the record, records as lists."""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
from pathlib import Path

import pytest

from cli_runs import Shelf
from made_library import DATE, overwrite, tide_image, write


@pytest.fixture
def shelf(tmp_path: Path) -> Shelf:
    made = Shelf.with_shelves(tmp_path, "home", "card")
    write(made.home / "tide.iso", tide_image(1), DATE)
    write(made.home / "old" / "ebb 2.iso", tide_image(2), DATE)
    write(tmp_path / "card" / "tide.iso", tide_image(1), DATE)
    made.run("scan")
    return made


def sha256(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


def published(shelf: Shelf, *lines: str, name: str = "SHA256SUMS") -> Path:
    path = shelf.folder / name
    path.write_text("".join(f"{line}\n" for line in lines))
    return path


def states(shelf: Shelf) -> dict[str, str]:
    images = shelf.json("list")["images"]
    return {
        f"{one['shelf']}:{one['path']}": "".join(str(each["is_met"]) for each in one["expected"])
        for one in images
    }


def test_every_copy_is_compared_and_read_once(shelf: Shelf) -> None:
    lines = published(
        shelf,
        f"{sha256(shelf.home / 'tide.iso')}  tide.iso",
        f"{'0' * 64}  ./old/ebb 2.iso",
        f"{'1' * 64}  nowhere.iso",
    )
    said = shelf.run("checksums", "expect", lines, code=1).stdout
    assert "2 as published; 1 not as published" in said
    assert "1 line of no image on record:" in said
    assert "nowhere.iso" in said
    assert states(shelf) == {
        "home:tide.iso": "True",
        "home:old/ebb 2.iso": "False",
        "card:tide.iso": "True",
    }


def test_a_summary_counts_it_of_images_that_are_here(shelf: Shelf) -> None:
    shelf.run("checksums", "expect", published(shelf, f"{'0' * 64}  tide.iso"), code=1)
    said = shelf.run("audit", "home").stdout
    assert "2 images: 1 sound, 1 sound and not as published." in said
    shelf.home.rename(shelf.folder / "unplugged")
    assert "2 images: 2 away." in shelf.run("audit", "home").stdout


def test_it_is_said_wherever_the_state_is_shown(shelf: Shelf) -> None:
    shelf.run("checksums", "expect", published(shelf, f"{'0' * 64}  tide.iso"), code=1)
    name = "home:tide.iso"
    assert "sound, not as published" in shelf.run("list", "--shelf", "home").stdout
    assert "sound, not as published" in shelf.run("find", "tide.iso").stdout
    assert "(sound, not as published)" in shelf.run("show", "--history", name).stdout
    assert "sound, not as published" in shelf.run("show", name).stdout
    said = shelf.run("audit", name).stdout
    assert "sound, not as published" in said
    assert "warning bytes-as-published" in said
    shelf.run("audit", name, "--fail-on", "warning", code=1)
    why = ("--acknowledge", "bytes-as-published", "--why", "another edition")
    shelf.run("audit", name, *why, "--fail-on", "warning")


def test_bytes_that_match_later_are_as_published(shelf: Shelf) -> None:
    good = tide_image(5)
    shelf.run(
        "checksums",
        "expect",
        published(shelf, f"{hashlib.sha256(good).hexdigest()}  ebb 2.iso"),
        code=1,
    )
    write(shelf.home / "old" / "ebb 2.iso", good)
    shelf.run("scan", code=1)
    assert states(shelf)["home:old/ebb 2.iso"] == "False"
    shelf.run("scan", "--accept", shelf.home / "old" / "ebb 2.iso")
    assert states(shelf)["home:old/ebb 2.iso"] == "True"


def test_without_reading_a_later_audit_compares(shelf: Shelf) -> None:
    lines = published(shelf, f"{'0' * 64}  ebb 2.iso")
    assert "1 not compared" in shelf.run("checksums", "expect", lines, "--no-read").stdout
    assert "not compared yet" in " ".join(shelf.run("show", "ebb 2.iso").stdout.split())
    shelf.run("audit", "--digest", "sha256")
    assert states(shelf)["home:old/ebb 2.iso"] == "False"


def test_damaged_bytes_do_not_count_as_a_record(shelf: Shelf) -> None:
    overwrite(shelf.home / "old" / "ebb 2.iso", 40_000, b"!")
    digest = sha256(shelf.home / "old" / "ebb 2.iso")
    shelf.run("checksums", "expect", published(shelf, f"{digest}  ebb 2.iso"))
    assert states(shelf)["home:old/ebb 2.iso"] == "None"


def test_one_name_for_two_different_images_is_passed_over(shelf: Shelf) -> None:
    write(shelf.folder / "card" / "tide.iso", tide_image(9))
    shelf.run("scan", code=1)
    shelf.run("scan", "--accept", "card:tide.iso")
    lines = published(shelf, f"{sha256(shelf.home / 'tide.iso')}  tide.iso")
    said = shelf.run("checksums", "expect", lines).stdout
    assert "is the name of 2 images with different bytes" in " ".join(said.split())
    assert set(states(shelf).values()) == {""}
    shelf.run("checksums", "expect", lines, "--shelf", "home")
    assert states(shelf)["home:tide.iso"] == "True"


def test_a_list_on_the_shelf_names_what_is_beside_it(shelf: Shelf) -> None:
    shutil.copy(shelf.home / "tide.iso", shelf.home / "old" / "tide.iso")
    shelf.run("scan")
    path = shelf.home / "old" / "SHA256SUMS"
    path.write_text(f"{sha256(shelf.home / 'tide.iso')} *tide.iso\n")
    shelf.run("checksums", "expect", path)
    assert [name for name, state in states(shelf).items() if state] == ["home:old/tide.iso"]


def test_records_go_out_as_lists(shelf: Shelf) -> None:
    shelf.run("audit", "--digest", "sha256")
    folder = shelf.folder / "lists"
    assert "no such folder" in shelf.run("checksums", "export", folder, code=9).stderr
    folder.mkdir()
    out = shelf.run("checksums", "export", folder).stdout
    assert sorted(path.name for path in folder.iterdir()) == [
        *("card.sha256", "card.xxh3_128", "home.sha256", "home.xxh3_128")
    ]
    assert "home.sha256:2images" in "".join(out.split())  # a long folder may part the name
    assert "exists already" in shelf.run("checksums", "export", folder, code=9).stderr
    answer = shelf.json("checksums", "check", shelf.home, folder / "home.sha256")
    assert answer["counts"]["equal"] == 2
    back = shelf.json("checksums", "expect", folder / "home.sha256", "--shelf", "home")
    assert all(one["expected"][0]["is_met"] for one in back["images"])


@pytest.mark.skipif(shutil.which("sha256sum") is None, reason="coreutils are not here")
def test_coreutils_check_an_exported_list(shelf: Shelf) -> None:
    shelf.run("audit", "--digest", "sha256")
    (shelf.folder / "lists").mkdir()
    shelf.run("checksums", "export", shelf.folder / "lists", "--algorithm", "sha256")
    command = ["sha256sum", "-c", "--strict", shelf.folder / "lists" / "home.sha256"]
    said = subprocess.run(command, cwd=shelf.home, check=True, capture_output=True, text=True)
    assert said.stdout.splitlines() == ["old/ebb 2.iso: OK", "tide.iso: OK"]


@pytest.mark.skipif(os.name == "nt", reason="names with control characters are of other systems")
def test_a_hostile_name_goes_out_and_in(shelf: Shelf) -> None:
    name = "line\nbreak \\ \x1b[2J.iso"
    write(shelf.home / name, tide_image(7), DATE)
    shelf.run("scan")
    (shelf.folder / "lists").mkdir()
    shelf.run("checksums", "export", shelf.folder / "lists", "--algorithm", "xxh3_128")
    done = shelf.run("checksums", "expect", shelf.folder / "lists" / "home.xxh3_128")
    assert "\x1b" not in done.stdout
    assert states(shelf)[f"home:{name}"] == "True"


def test_a_session_and_an_audit_of_a_copy_say_it_too(shelf: Shelf) -> None:
    """Own behaviour: prepare copied such an image without a word, and a copy was just sound."""
    lines = published(shelf, f"{'0' * 64}  ./old/ebb 2.iso")
    shelf.run("checksums", "expect", lines, code=1)
    plan = shelf.folder / "plan.toml"
    plan.write_text(
        'name = "Kiosk"\ntargets = ["win9x"]\n[[disc]]\nimage = "home/old/ebb 2.iso"\npad = true\n',
        "utf-8",
    )
    said = [each["rule"] for each in shelf.json("plan", "show", plan)["findings"]]
    assert said.count("bytes-as-published") == 1
    copy = shelf.folder / "copy.iso"
    copy.write_bytes((shelf.home / "old" / "ebb 2.iso").read_bytes())
    (image,) = shelf.json("audit", copy)["images"]
    assert [each["rule"] for each in image["findings"]] == ["bytes-as-published"]
    assert image["findings"][0]["where"] == str(copy)
    write(copy, tide_image(1), DATE)
    assert shelf.json("audit", copy)["images"][0]["findings"] == []
