"""``mediashelf mend`` beside a catalogue: its copies, its records, and its history."""

from __future__ import annotations

from cli_runs import Shelf
from made_library import DATE, TICK, overwrite, tide_image, write
from mediashelf.catalogue.history import Happening, history_of
from mediashelf.catalogue.store import open_catalogue
from mediashelf.errors import InputError, OutputError
from mediashelf.image import open_image
from mended_shelf import MIB, TIDE, copies, flat, spoiled


def test_the_mended_image_is_as_recorded(shelf: Shelf) -> None:
    """The proof of the proof: put in the old one's place, an audit finds it sound."""
    [copy] = copies(shelf, TIDE)
    tide = shelf.home / "tide.iso"
    assert shelf.json("audit", code=1)["images"][0]["state"] == "decayed"
    out = shelf.run("mend", tide, "--from", copy, "-o", tide, "--replace").stdout
    assert "proved by the digest on record" in flat(out)
    assert tide.read_bytes() == TIDE
    assert shelf.json("audit")["images"][0]["state"] == "sound"


def test_the_history_of_an_image_tells_that_it_was_mended(shelf: Shelf) -> None:
    [copy] = copies(shelf, TIDE)
    output = shelf.folder / "mended.iso"
    shelf.run("mend", "home/tide.iso", "--from", copy, "-o", output)
    shelf.run("mend", "home/tide.iso", "--from", copy, "--dry-run")
    with open_catalogue(shelf.catalogue) as catalogue:
        [row] = catalogue.images()
        told = [each for each in history_of(catalogue.db, row.id) if each.seen_by == "mend"]
    assert [(each.event, each.detail) for each in told] == [
        (Happening.MENDED, f"proved by the digest on record: {output}")
    ]


def test_the_catalogue_finds_copies_by_itself(shelf: Shelf) -> None:
    write(shelf.home / "other" / "name.iso", TIDE, DATE)
    write(shelf.home / "unlike.iso", tide_image(9, mebibytes=5), DATE)
    shelf.run("scan")
    output = shelf.folder / "mended.iso"
    document = shelf.json("mend", "home/tide.iso", "-o", output)
    assert document["outcome"] == "proved"
    assert output.read_bytes() == TIDE
    assert [each["file"] for each in document["files"]] == [
        str(shelf.home / "tide.iso"),
        str(shelf.home / "other" / "name.iso"),
    ]


def test_named_copies_come_before_those_of_the_catalogue(shelf: Shelf) -> None:
    write(shelf.home / "other.iso", TIDE, DATE)
    shelf.run("scan")
    [copy] = copies(shelf, TIDE)
    document = shelf.json("mend", "home/tide.iso", "--from", copy, "--dry-run")
    assert [each["sectors_given"] for each in document["files"]] == [0, 2]
    assert document["files"][1]["file"] == str(copy)


def test_an_image_without_a_record_is_proved_by_that_of_a_copy(shelf: Shelf) -> None:
    """The usual case of a card: the copy at home is on record, and damaged elsewhere."""
    [card] = copies(shelf, spoiled(MIB, 3 * MIB))
    output = shelf.folder / "mended.iso"
    document = shelf.json("mend", card, "--from", shelf.home / "tide.iso", "-o", output)
    assert document["outcome"] == "proved"
    assert document["proved_by"]["path"] == "tide.iso"
    assert output.read_bytes() == TIDE


def test_as_names_the_record(shelf: Shelf) -> None:
    tide = shelf.home / "tide.iso"
    write(tide, spoiled(7 * 2048), DATE + 5 * TICK)
    shelf.run("scan", "--accept", tide)  # the damage is on record now
    write(shelf.home / "right.iso", TIDE, DATE)
    shelf.run("scan", "home")
    output = shelf.folder / "mended.iso"
    out = shelf.run("mend", tide, "-o", output).stdout
    assert "Every byte is as recorded: nothing to mend, nothing written." in out
    assert not output.exists()
    shelf.run("mend", tide, "--as", "home/right.iso", "-o", output)
    assert output.read_bytes() == TIDE
    result = shelf.run("mend", tide, "--as", "home/none.iso", "-n", code=InputError.exit_code)
    assert "file, folder or image on record has this name" in result.stderr


def test_copies_with_different_records_leave_a_choice(shelf: Shelf) -> None:
    other = write(shelf.home / "other.iso", tide_image(9, mebibytes=5), DATE)
    shelf.run("scan")
    [image] = copies(shelf, spoiled(MIB))
    tide = shelf.home / "tide.iso"
    result = shelf.run("mend", image, "--from", tide, other, "-n", code=InputError.exit_code)
    assert "say with --as which is the right one" in flat(result.stderr)
    shelf.run("mend", image, "--from", tide, other, "-n", "--as", "home/tide.iso")


def test_a_record_of_damage_is_told(shelf: Shelf) -> None:
    data = bytearray(TIDE)
    data[16 * 2048 + 80 : 16 * 2048 + 84] = bytes(4)  # volume size, ECMA-119 8.4.8
    bad = write(shelf.home / "bad.iso", bytes(data), DATE)
    shelf.run("scan")
    with open_image(bad) as image:
        assert image.findings
    document = shelf.json("mend", bad, "-n", code=1)
    assert document["outcome"] == "as-recorded"
    assert [each["rule"] for each in document["findings"]] == ["record-is-of-sound-image"]


def test_an_image_mended_in_its_place_is_confirmed_by_that(shelf: Shelf) -> None:
    tide = shelf.home / "tide.iso"
    other = write(shelf.home / "other.iso", tide_image(7), DATE)
    shelf.run("scan")
    other.unlink()  # so that something is known to be wrong, and goes on to be
    shelf.run("audit", code=1)
    (good,) = copies(shelf, TIDE)
    shelf.run("mend", tide, "--from", good, "-o", tide, "--replace")
    document = shelf.json("audit", "--due", "7d")
    assert document["due"]["known_wrong"] == ["home: other.iso"]
    (image,) = (one for one in shelf.json("list")["images"] if one["path"] == "tide.iso")
    assert (image["state"], image["waiting"]) == ("recorded", None)
    assert image["finding_counts"]["error"] == 0
    events = [one["event"] for one in shelf.json("show", "--history", tide)["history"]]
    assert events[-2:] == ["mended", "confirmed"]
    assert "home: 1 unchanged, 1 gone before" in shelf.run("scan", code=1).stdout


def test_damage_on_record_stays_told_after_mending_in_place(shelf: Shelf) -> None:
    damaged = shelf.home / "damaged.iso"
    data = bytearray(TIDE)
    data[16 * 2048 + 132] ^= 1  # the size of the path table, in one byte order (ECMA-119 8.4.13)
    write(damaged, bytes(data), DATE)
    shelf.run("scan")
    overwrite(damaged, 3 * MIB, b"spoiled")
    shelf.run("audit", damaged, code=1)
    (good,) = copies(shelf, bytes(data))
    shelf.run("mend", damaged, "--from", good, "-o", damaged, "--replace", code=1)
    (image,) = (one for one in shelf.json("list")["images"] if one["path"] == "damaged.iso")
    assert image["state"] == "damaged"
    assert image["finding_counts"]["error"] > 0


def test_a_missing_image_is_called_missing(shelf: Shelf) -> None:
    tide, code = shelf.home / "tide.iso", InputError.exit_code
    day = shelf.json("list")["images"][0]["recorded_at"][:10]
    tide.unlink()
    for name in ("tide.iso", "home: tide.iso", tide):
        error = flat(shelf.run("mend", name, "--dry-run", code=code).stderr)
        assert f"home: tide.iso: is missing: its record of {day} is kept; put it back" in error
        assert "mediashelf mend COPY --as 'home: tide.iso' -o MENDED.iso" in error
    copy = write(shelf.folder / "elsewhere" / "spoiled.iso", spoiled(100_000))
    good = copies(shelf, spoiled(3 * MIB))
    output = shelf.folder / "new.iso"
    shelf.run("mend", copy, "--from", *good, "--as", "home: tide.iso", "-o", output)
    assert output.read_bytes() == TIDE
    write(shelf.home / "again.iso", TIDE, DATE)
    write(tide, TIDE, DATE)
    shelf.run("scan")
    tide.unlink()
    error = flat(shelf.run("mend", "tide.iso", "--dry-run", code=code).stderr)
    assert "copy the file back from home: again.iso, which has the same bytes on record" in error
    shelf.home.rename(shelf.folder / "unplugged")
    error = flat(shelf.run("mend", "home: tide.iso", "--dry-run", code=code).stderr)
    assert "home: tide.iso: its shelf is not here" in error


def test_a_catalogue_copy_is_no_place_for_the_output(shelf: Shelf) -> None:
    twin = write(shelf.home / "twin.iso", TIDE, DATE)
    shelf.run("scan")
    arguments = ["mend", "home/tide.iso", "-o", twin, "--replace"]
    assert "is one of the copies" in shelf.run(*arguments, code=OutputError.exit_code).stderr
    assert twin.read_bytes() == TIDE
