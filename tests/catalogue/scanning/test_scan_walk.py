"""What a scan takes for an image: names of every kind, links, and folders that cannot be listed."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import pytest

from made_library import DATE, TICK, Library, tide_image, write
from mediashelf.catalogue.scanning import walk
from mediashelf.catalogue.scanning.findings import scan_findings
from mediashelf.findings import Severity
from mediashelf.integrity.fixity.reading import digest_file

MIB = 1 << 20


@pytest.mark.parametrize("name", ["a\nb.iso", "blanks  .iso", "Größe ü.iso", "-q.iso", "%s'\".iso"])
def test_odd_names_of_files(library: Library, name: str) -> None:
    write(library.root / name, tide_image(), DATE)
    assert library.events() == {name: "new"}
    assert library.events() == {}
    assert library.catalogue.images()[0].path == name
    assert library.catalogue.image_by_path(library.root / name) is not None


def test_a_name_that_is_no_utf8(library: Library) -> None:
    path = Path(os.fsdecode(os.fsencode(library.root) + b"/caf\xe9.iso"))
    write(path, tide_image(), DATE)
    assert library.events() == {"caf\udce9.iso": "new"}
    assert library.events() == {}
    row = library.catalogue.image_by_path(path)
    assert row is not None
    assert row.file.read_bytes() == tide_image()


def test_what_counts_as_an_image(library: Library) -> None:
    iso = tide_image()
    for name in ("a.iso", "B.ISO", "c.Img", "d.bin", "e.udf", "f.raw"):
        write(library.root / name, iso)
    write(library.root / "sound.bin", bytes(2352 * 4))
    write(library.root / "sound.CUE", b'FILE "sound.bin" BINARY\n')
    write(library.root / "empty.iso", b"")
    for name in ("firmware.bin", "floppy.img"):
        write(library.root / name, b"\xeb\x3c" + bytes(100_000))
    for name in (".hidden.iso", ".Trash-1000/old.iso", "lost+found/x.iso", "plain.txt", "iso"):
        write(library.root / name, iso)
    (library.root / "folder.iso").mkdir()
    os.mkfifo(library.root / "pipe.iso")
    assert set(library.events()) == {
        "a.iso",
        "B.ISO",
        "c.Img",
        "d.bin",
        "e.udf",
        "f.raw",
        "sound.bin",
        "sound.CUE",
        "empty.iso",
    }
    # An image of sound alone is no damaged image, as its sheet says what it is.
    assert library.states()["home: sound.bin"] == "recorded"
    assert library.states()["home: empty.iso"] == "damaged"


def test_an_image_stays_one_when_it_no_longer_looks_like_one(library: Library) -> None:
    path = write(library.root / "d.bin", tide_image(), DATE)
    library.scan()
    write(path, bytes(100_000), DATE + TICK)
    assert library.events() == {"d.bin": "changed"}
    assert library.states() == {"home: d.bin": "changed"}
    library.accept("d.bin")
    assert library.states() == {"home: d.bin": "damaged"}


def test_links_to_files_are_followed_and_links_to_folders_are_not(library: Library) -> None:
    outside = write(library.root.parent / "outside" / "tide.iso", tide_image(), DATE)
    (library.root / "link.iso").symlink_to(outside)
    (library.root / "dangling.iso").symlink_to(library.root / "nothing.iso")
    (library.root / "round").symlink_to(library.root, target_is_directory=True)
    (library.root / "self.iso").symlink_to(library.root / "self.iso")
    assert library.events() == {"link.iso": "new"}
    outside.unlink()
    library.scan()
    assert library.states() == {"home: link.iso": "missing"}


def test_a_sparse_image(library: Library) -> None:
    path = library.root / "sparse.iso"
    with path.open("wb") as file:
        file.write(tide_image())
        file.truncate(8 * MIB)
    library.scan()
    assert library.catalogue.images()[0].digests == digest_file(path).whole


def test_a_folder_that_cannot_be_listed_is_a_finding_and_its_records_stay(
    library: Library, monkeypatch: pytest.MonkeyPatch
) -> None:
    write(library.root / "locked" / "tide.iso", tide_image(), DATE)
    write(library.root / "open" / "ebb.iso", tide_image(2), DATE)
    library.scan()
    whole = walk.listed_folder

    def refusing(folder: str) -> Any:
        if folder.endswith("locked"):
            raise PermissionError(13, "Permission denied")
        return whole(folder)

    with monkeypatch.context() as patched:
        patched.setattr(walk, "listed_folder", refusing)
        plan, outcomes = library.scan()
    (finding,) = scan_findings(plan, outcomes)
    assert (finding.rule, finding.where) == ("folder-is-readable", "home: locked")
    # An audit calls its images unreadable, an error; so is this.
    assert finding.severity is Severity.ERROR
    assert "1 image on record there not found" in finding.message
    assert library.states() == {"home: locked/tide.iso": "away", "home: open/ebb.iso": "recorded"}


def test_links_that_no_walk_follows_are_named(library: Library, tmp_path: Path) -> None:
    """Own behaviour: what is not looked into must not look like what was."""
    write(tmp_path / "elsewhere" / "tide.iso", tide_image(), DATE)
    write(library.root / "ebb.iso", tide_image(2), DATE)
    for name, at in (("box", "elsewhere"), ("flow.iso", "elsewhere/gone.iso"), ("a.txt", "none")):
        (library.root / name).symlink_to(tmp_path / at)
    for _ in range(2):  # also when nothing else is new
        findings = scan_findings(*library.scan())
        assert [(each.rule, each.where, each.severity) for each in findings] == [
            ("link-not-followed", "home: box", Severity.NOTE),
            ("link-not-followed", "home: flow.iso", Severity.WARNING),
        ]
    assert library.states() == {"home: ebb.iso": "recorded"}
    (library.root / "neap.iso").symlink_to(tmp_path / "elsewhere" / "tide.iso")
    assert len(scan_findings(*library.scan())) == 2
    # What is in another folder of the shelf is looked for there.
    write(library.root / "real" / "spring.iso", tide_image(3), DATE)
    for name, at in (("inside", "real"), ("top", ".")):
        (library.root / name).symlink_to(library.root / at)
    assert len(scan_findings(*library.scan())) == 2
