"""``mediashelf audit``: what it says is true, and its exit code can be relied on."""

from __future__ import annotations

import hashlib
import zlib
from pathlib import Path
from typing import Any

import pytest

from cli_runs import Shelf
from made_library import DATE, TICK, overwrite, tide_image, write
from mediashelf.catalogue.scanning import walk
from mediashelf.errors import CatalogueError
from mediashelf.integrity.fixity.reading import digest_file

MIB = 1 << 20


@pytest.fixture
def shelf(tmp_path: Path) -> Shelf:
    made = Shelf.with_shelves(tmp_path, "home")
    write(made.home / "tide.iso", tide_image(1, mebibytes=3), DATE)
    write(made.home / "ebb.iso", tide_image(2), DATE)
    made.run("scan")
    return made


def test_a_sound_library(shelf: Shelf) -> None:
    out = shelf.run("audit").stdout
    assert "home: ebb.iso   sound  all bytes as recorded " in out
    assert "2 images: 2 sound.\n" in out
    assert "Structure of 2 read; all bytes of 2 compared with a digest on record" in out
    assert "Whether files inside are sound in themselves was not checked." in " ".join(out.split())
    assert shelf.run("audit", "-q").stdout == ""


def test_decay_is_named_with_block_and_file(shelf: Shelf) -> None:
    overwrite(shelf.home / "tide.iso", 2 * MIB, b"\x00\x01\x02\x03")
    out = shelf.run("audit", code=1).stdout
    assert out.splitlines()[1].startswith("home: tide.iso  decayed  ")
    assert "error bytes-as-recorded" in out
    assert "1 of 4 blocks of 1 MiB differs" in " ".join(out.split())
    assert "LBA 1,024 to 1,535 (bytes 2,097,152 to 3,145,727)" in out
    assert "/FILLER.DAT: 1 of 3 MiB; the 7 other files and folders are not affected" in out
    assert "2 images: 1 decayed, 1 sound." in out
    quiet = shelf.run("audit", "-q", code=1).stdout
    assert "ebb.iso" not in quiet
    assert "error bytes-as-recorded" in quiet
    shelf.run("audit", "--fail-on", "never")


@pytest.mark.parametrize(
    ("harm", "state"),
    [
        (lambda path: write(path, b"other bytes", DATE + TICK), "changed"),
        (lambda path: write(path, path.read_bytes()[:MIB], DATE), "truncated"),
        (lambda path: path.unlink(), "missing"),
        (lambda path: (path.unlink(), path.mkdir()), "missing"),
    ],
)
def test_every_harm_fails(shelf: Shelf, harm: object, state: str) -> None:
    assert callable(harm)
    harm(shelf.home / "tide.iso")
    document = shelf.json("audit", code=1)
    states = {image["where"]: image["state"] for image in document["images"]}
    assert states == {"home: ebb.iso": "sound", "home: tide.iso": state}
    assert document["counts"][state] == 1


def test_away_is_no_failure_but_is_said(shelf: Shelf) -> None:
    shelf.home.rename(shelf.folder / "unplugged")
    out = shelf.run("audit").stdout
    assert "2 images: 2 away." in out
    assert "Structure of 0 read; all bytes of 0 compared" in out


def test_an_image_that_is_not_on_record(shelf: Shelf) -> None:
    path = write(shelf.folder / "new.iso", tide_image(9))
    out = " ".join(shelf.run("audit", path).stdout.split())
    assert "no recorded digest" in out
    assert "all bytes of 0 compared with a digest on record, 1 had none" in out
    copy = write(shelf.folder / "copy.iso", (shelf.home / "ebb.iso").read_bytes())
    assert "the same bytes as home: ebb.iso" in " ".join(shelf.run("audit", copy).stdout.split())


def test_without_any_catalogue(tmp_path: Path) -> None:
    shelf = Shelf(tmp_path)
    path = write(tmp_path / "new.iso", tide_image())
    shelf.run("audit", path)
    assert not shelf.catalogue.exists()
    # Nothing was audited, which must not look like a clean library to a nightly run.
    told = shelf.run("audit", code=CatalogueError.exit_code).stderr
    assert f"{shelf.catalogue}: has no shelf to audit; register one" in told
    assert (
        "no shelf, file, folder or image on record has this name"
        in shelf.run("audit", "nothing.iso", code=3).stderr
    )


def test_sound_images_are_counted_when_there_are_many(shelf: Shelf) -> None:
    for number in range(25):
        write(shelf.home / f"{number:02}.iso", tide_image(number + 10), DATE)
    shelf.run("scan")
    (shelf.home / "03.iso").unlink()
    out = shelf.run("audit", code=1).stdout
    assert out.splitlines()[1].startswith("home: 03.iso  missing  ")
    assert "… and 26 sound images (--all names them)" in out
    assert "home: 04.iso" not in out
    assert "home: 04.iso" in shelf.run("audit", "--all", code=1).stdout


def test_json_shape(shelf: Shelf) -> None:
    overwrite(shelf.home / "tide.iso", 2 * MIB, b"\x00\x01\x02\x03")
    document = shelf.json("audit", "tide.iso", code=1)
    assert (document["command"], document["version"]) == ("audit", 1)
    assert document["depth"] == "digests"
    (image,) = document["images"]
    assert image["state"] == "decayed"
    assert image["file"] == str(shelf.home / "tide.iso")
    assert image["spans"] == [
        {
            "offset": 2 * MIB,
            "length": MIB,
            "first_lba": 1024,
            "last_lba": 1535,
            "severity": "error",
            "rules": ["bytes-as-recorded"],
        }
    ]
    assert image["touched"] == [{"path": "/FILLER.DAT", "size": 3 * MIB, "touched": MIB}]
    assert image["bytes_read"] == (shelf.home / "tide.iso").stat().st_size
    assert image["record"]["state"] == "recorded"
    assert image["findings"] == document["findings"]
    assert [finding["rule"] for finding in document["findings"]] == ["bytes-as-recorded"]


def test_the_verdict_is_on_record_afterwards(shelf: Shelf) -> None:
    overwrite(shelf.home / "tide.iso", 2 * MIB, b"\x00\x01\x02\x03")
    shelf.run("audit", code=1)
    states = {image["path"]: image["state"] for image in shelf.json("list")["images"]}
    assert states == {"ebb.iso": "sound", "tide.iso": "decayed"}
    assert "error bytes-as-recorded" in shelf.run("list", "--findings").stdout


def test_past_the_cache_gives_the_same_answer(shelf: Shelf) -> None:
    assert shelf.json("audit", "--past-cache")["counts"]["sound"] == 2


def test_the_audit_leaves_images_as_they_are(shelf: Shelf) -> None:
    before = {path.name: digest_file(path) for path in shelf.home.iterdir()}
    shelf.run("audit")
    assert {path.name: digest_file(path) for path in shelf.home.iterdir()} == before


def test_a_narrow_terminal(shelf: Shelf) -> None:
    overwrite(shelf.home / "tide.iso", 2 * MIB, b"\x00\x01\x02\x03")
    shelf.width = 40
    out = shelf.run("audit", code=1).stdout
    assert max(map(len, out.splitlines())) <= 40
    assert out.startswith("home: tide.iso\n  state: decayed\n")


def test_a_digest_for_good(shelf: Shelf) -> None:
    overwrite(shelf.home / "tide.iso", 2 * MIB, b"\x00\x01\x02\x03")
    out = shelf.run("audit", "--digest", "sha256", "--digest", "crc32", code=1).stdout
    assert "New on record: sha256 of 1 image." in out
    assert "New on record: crc32 of 1 image." in out
    kept = {image["path"]: image["digests"] for image in shelf.json("list")["images"]}
    assert set(kept["tide.iso"]) == {"xxh3_128"}  # its bytes are not those on record
    data = (shelf.home / "ebb.iso").read_bytes()
    assert kept["ebb.iso"]["sha256"] == hashlib.sha256(data).hexdigest()
    assert kept["ebb.iso"]["crc32"] == f"{zlib.crc32(data):08x}"
    again = shelf.json("audit", "ebb.iso", "--digest", "sha256")["images"][0]
    assert again["new_digests"] == []
    assert again["digests"]["sha256"] == kept["ebb.iso"]["sha256"]


def test_a_digest_that_was_added_is_compared_and_renewed(shelf: Shelf) -> None:
    shelf.run("audit", "--digest", "sha256")
    assert shelf.json("audit", "ebb.iso")["images"][0]["digests"].keys() == {"xxh3_128", "sha256"}
    write(shelf.home / "ebb.iso", tide_image(5), DATE + TICK)
    shelf.run("scan", "--accept", "ebb.iso")
    (kept,) = [image for image in shelf.json("list")["images"] if image["path"] == "ebb.iso"]
    assert kept["digests"]["sha256"] == hashlib.sha256(tide_image(5)).hexdigest()


def test_digests_that_cannot_be(shelf: Shelf) -> None:
    shelf.run("audit", "--digest", "sha3", code=2)


def test_a_published_list_is_compared_elsewhere(shelf: Shelf) -> None:
    told = shelf.run("audit", shelf.home, "--against", "list", code=2).stderr
    assert "Use instead: mediashelf checksums check FOLDER LIST" in told
    assert "--against" not in shelf.run("audit", "--help").stdout


@pytest.mark.parametrize("closed", ["home", "inner"])
def test_a_folder_that_cannot_be_listed_is_named(
    shelf: Shelf, monkeypatch: pytest.MonkeyPatch, closed: str
) -> None:
    """Own behaviour: "2 images: 2 sound." though nobody could look for images without a record."""
    write(shelf.home / "inner" / "new.iso", tide_image(3), DATE)
    whole = walk.listed_folder

    def refusing(folder: str) -> Any:
        if Path(folder).name == closed:
            raise PermissionError(13, "Permission denied")
        return whole(folder)

    monkeypatch.setattr(walk, "listed_folder", refusing)
    place = shelf.home if closed == "home" else shelf.home / closed
    document = shelf.json("audit")
    (finding,) = [one for one in document["findings"] if one["rule"] == "folder-is-readable"]
    assert finding["where"] == str(place)
    assert finding["severity"] == "warning"
    for words in (["audit"], ["audit", "-q"], ["audit", "--due", "1d"], ["audit", "home"]):
        said = " ".join(shelf.run(*words).stdout.split())
        assert "warning folder-is-readable" in said
        assert "images in it without a record were not looked for" in said
    shelf.run("audit", "--fail-on", "warning", code=1)
    page = shelf.folder / "audit.html"
    shelf.run("audit", "--report", page)
    assert "this folder could not be listed" in page.read_text("utf-8")
    monkeypatch.undo()
    assert "folder-is-readable" not in shelf.run("audit").stdout
