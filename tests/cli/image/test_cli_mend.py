"""``mediashelf mend``: what it takes from the catalogue, what it says, its exit codes."""

from __future__ import annotations

import gzip
import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest

from cli_runs import Shelf
from made_library import DATE, TICK, overwrite, tide_image, write
from mediashelf.catalogue.history import Happening, history_of
from mediashelf.catalogue.store import open_catalogue
from mediashelf.errors import BlockedError, InputError, OutputError
from mediashelf.image import open_image

MIB = 1 << 20
TIDE = tide_image(1, mebibytes=5)
BLOCKED = BlockedError.exit_code
KILLED = 1 if os.name == "nt" else -signal.SIGKILL  # "subprocess": Popen.terminate in Windows


@pytest.fixture
def shelf(tmp_path: Path) -> Shelf:
    """A library of one image, which has decayed in two places since it was recorded."""
    made = Shelf.with_shelves(tmp_path, "home")
    tide = write(made.home / "tide.iso", TIDE, DATE)
    made.run("scan")
    overwrite(tide, 2 * MIB + 5000, bytes(range(100)))
    overwrite(tide, 4 * MIB, bytes(range(100)))
    return made


def spoiled(*places: int, by: int = 0x33, length: int = 100) -> bytes:
    data = bytearray(TIDE)
    for place in places:
        data[place : place + length] = bytes(x ^ by for x in data[place : place + length])
    return bytes(data)


def copies(shelf: Shelf, *contents: bytes) -> list[Path]:
    return [
        write(shelf.folder / "elsewhere" / f"{number}.iso", data)
        for number, data in enumerate(contents)
    ]


def flat(text: str) -> str:
    return " ".join(text.split())


def tight(text: str) -> str:
    """Without blanks: a long path is broken where the terminal ends."""
    return "".join(text.split())


def test_mended_from_two_copies_and_proved(shelf: Shelf) -> None:
    damaged = (shelf.home / "tide.iso").read_bytes()
    first, second = copies(shelf, spoiled(2 * MIB + 9), spoiled(4 * MIB + 9, 5))
    output = shelf.folder / "mended.iso"
    out = shelf.run("mend", shelf.home / "tide.iso", "--from", first, second, "-o", output).stdout
    assert output.read_bytes() == TIDE
    assert (shelf.home / "tide.iso").read_bytes() == damaged
    assert out.startswith("tide.iso: 5.1 MiB, by the record of home: tide.iso (")
    assert tight(f"copy 1: {first}, gave 1 sector") in tight(out)
    assert tight(f"copy 2: {second}, gave 1 sector") in tight(out)
    assert "1,024–1,535  copy 2    1,026" in out
    assert "2,048–2,559  copy 1    2,048" in out
    assert "mended there: /FILLER.DAT (4.0 KiB of 5.0 MiB)" in out
    assert "the 7 other files and folders are not affected" in out
    wrote = f"Wrote {output}: {len(TIDE):,} bytes, read back, and proved by the digest"
    assert tight(wrote) in tight(out)
    shelf.run("audit", output)


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


def test_what_cannot_be_mended_is_refused(shelf: Shelf) -> None:
    [copy] = copies(shelf, spoiled(2 * MIB + 5000))
    output = shelf.folder / "mended.iso"
    result = shelf.run("mend", "home/tide.iso", "--from", copy, "-o", output, code=BLOCKED)
    assert not output.exists()
    assert "1,024–1,535  not mended (all 2 tried)" in result.stdout
    assert "error block-can-be-mended" in result.stdout
    assert "not known there: /FILLER.DAT (1.0 MiB of 5.0 MiB)" in result.stdout
    assert "It cannot be mended from these files alone. Nothing written." in flat(result.stdout)
    assert "not written (1 part of it cannot be mended from these files)" in flat(result.stderr)
    arguments = ["mend", "home/tide.iso", "--from", copy, "-o", output, "--anyway"]
    result = shelf.run(*arguments, code=1)
    assert "It is the best there is" in flat(result.stdout)
    assert output.read_bytes()[4 * MIB :] == TIDE[4 * MIB :]
    shelf.run(*arguments, "--replace", "--fail-on", "never")


def test_a_guess_that_is_not_written_changes_nothing(shelf: Shelf) -> None:
    overwrite(shelf.home / "tide.iso", 4 * MIB, bytes(2048))
    [copy] = copies(shelf, spoiled(4 * MIB))
    arguments = ["mend", "home/tide.iso", "--from", copy]
    out = shelf.run(*arguments, "--dry-run", code=1).stdout
    assert "2,048–2,559  not mended (all 2 tried)\n" in out
    out = shelf.run(*arguments, "-o", shelf.folder / "best.iso", "--anyway", code=1).stdout
    assert "2,048–2,559  not mended (all 2 tried)  2,048\n" in out


def test_zeros_that_were_cut_off(shelf: Shelf) -> None:
    padded = write(shelf.home / "padded.iso", TIDE + bytes(MIB), DATE)
    shelf.run("scan")
    write(padded, TIDE + bytes(2048), DATE)
    output = shelf.folder / "mended.iso"
    out = shelf.run("mend", "home/padded.iso", "-o", output).stdout
    assert output.read_bytes() == TIDE + bytes(MIB)
    assert "image, zeros where no copy had data" in out


def test_vote_is_a_warning_and_says_so(shelf: Shelf) -> None:
    image, *others = copies(shelf, spoiled(5000, length=9000), spoiled(90_000), TIDE)
    output = shelf.folder / "voted.iso"
    result = shelf.run("mend", image, "--from", *others, "-o", output, code=1)
    assert output.read_bytes() == TIDE
    out = flat(result.stdout)
    assert "0.iso: 5.1 MiB, no digest on record; 3 files compared" in out
    assert "2–6 vote of 2 in 3: copy 1, copy 2 2–6 43 vote of 2 in 3: image, copy 2" in out
    assert "warning bytes-proved" in out
    assert out.endswith("It rests on a vote: likely, not proved.")
    assert out.count(" proved by") == 0
    again = ["mend", image, "--from", *others, "-o", output, "--replace"]
    shelf.run(*again, "--fail-on", "error")
    quiet = shelf.run(*again, "-q", code=1).stdout
    assert quiet.startswith("warning bytes-proved")


def test_tie_is_refused(shelf: Shelf) -> None:
    image, *others = copies(shelf, spoiled(5000), spoiled(5000, by=7), TIDE)
    output = shelf.folder / "voted.iso"
    result = shelf.run("mend", image, "--from", *others, "-o", output, code=BLOCKED)
    assert "error bytes-decided" in result.stdout
    assert "the 3 files disagree, with no majority" in result.stdout
    assert not output.exists()


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


def test_damage_in_a_compressed_image_is_placed_in_bytes(shelf: Shelf) -> None:
    packed = gzip.compress(TIDE, mtime=0)
    image = write(shelf.home / "ebb.iso.gz", packed, DATE)
    shelf.run("scan")
    overwrite(image, 3 * MIB + 5, b"spoiled")
    (good,) = copies(shelf, packed)
    out = shelf.run("mend", image, "--from", good, "--dry-run").stdout
    assert "LBA" not in out
    assert "\nbytes  " in out
    assert "/FILLER.DAT" not in out
    out = shelf.run("mend", image, "--dry-run", code=1).stdout
    assert "bytes 3,145,728–" in out
    assert "LBA" not in out


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


def test_a_truncated_image(shelf: Shelf) -> None:
    write(shelf.home / "tide.iso", TIDE[: 3 * MIB + 77], DATE)
    [copy] = copies(shelf, TIDE[MIB:][:0] + TIDE)
    out = flat(shelf.run("mend", "home/tide.iso", "--from", copy, "-n").stdout)
    assert f"ends {len(TIDE) - 3 * MIB - 77:,} bytes early" in out
    assert "It can be mended, and every byte of that is proved. Nothing written (--dry-run)." in out


def test_dry_run_needs_no_output_and_writes_nothing(shelf: Shelf) -> None:
    [copy] = copies(shelf, TIDE)
    before = sorted(path for path in shelf.folder.rglob("*") if "sqlite" not in path.name)
    document = shelf.json("mend", "home/tide.iso", "--from", copy, "--dry-run")
    assert (document["outcome"], document["is_written"], document["output"]) == (
        "proved",
        False,
        None,
    )
    [other] = copies(shelf, spoiled(2 * MIB + 5000))
    shelf.run("mend", "home/tide.iso", "--from", other, "-n", code=1)
    after = sorted(path for path in shelf.folder.rglob("*") if "sqlite" not in path.name)
    assert before == after


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["home/tide.iso"], "Name the image to write with -o"),
        (["home/tide.iso", "x.iso", "-n"], "Say which files are the copies"),
        (["{folder}/elsewhere/0.iso", "-n"], "give at least two other copies with --from"),
        (["home/tide.iso", "-n", "--tries", "-1"], "--tries"),
    ],
)
def test_wrong_usage(shelf: Shelf, arguments: list[str], words: str) -> None:
    copies(shelf, TIDE)
    given = [argument.format(folder=shelf.folder) for argument in arguments]
    assert words in flat(shelf.run("mend", *given, code=2).stderr)


def test_wrong_files(shelf: Shelf) -> None:
    [copy] = copies(shelf, TIDE)
    wrong, refused = InputError.exit_code, OutputError.exit_code
    tide, output = shelf.home / "tide.iso", shelf.folder / "x.iso"
    assert "is a folder" in shelf.run("mend", shelf.home, "-n", code=wrong).stderr
    shelf.run("mend", shelf.home / "gone.iso", "--from", copy, "-n", code=wrong)
    shelf.run("mend", tide, "--from", shelf.folder / "gone.iso", "-o", output, code=wrong)
    result = shelf.run("mend", tide, "--from", copy, "-o", tide, code=refused)
    assert "is the image itself" in result.stderr
    result = shelf.run("mend", tide, "--from", copy, "-o", copy, "--replace", code=refused)
    assert "is one of the copies" in result.stderr
    assert not output.exists()


def test_a_catalogue_copy_is_no_place_for_the_output(shelf: Shelf) -> None:
    twin = write(shelf.home / "twin.iso", TIDE, DATE)
    shelf.run("scan")
    arguments = ["mend", "home/tide.iso", "-o", twin, "--replace"]
    assert "is one of the copies" in shelf.run(*arguments, code=OutputError.exit_code).stderr
    assert twin.read_bytes() == TIDE


def test_json(shelf: Shelf) -> None:
    shared = 2 * MIB
    first, second = copies(shelf, spoiled(shared), spoiled(4 * MIB, shared + 3 * 2048))
    output = shelf.folder / "mended.iso"
    document: dict[str, Any] = shelf.json(
        "mend", "home/tide.iso", "--from", first, "--from", second, "-o", output
    )
    assert list(document) == [
        "command",
        "version",
        "image",
        "output",
        "dry_run",
        "outcome",
        "is_written",
        "size",
        "block_size",
        "digests",
        "proved_by",
        "files",
        "parts",
        "touched",
        "findings",
    ]
    assert (document["command"], document["version"]) == ("mend", 1)
    assert document["is_written"] is True
    assert document["digests"] == document["proved_by"]["digests"]
    assert document["files"][1] == {
        "file": str(first),
        "size": len(TIDE),
        "sectors_given": 2,
        "sectors_unreadable": 0,
        "sectors_blank": 0,
        "sectors_overruled": 0,
        "blocks_sampled": 0,
        "blocks_sampled_right": 0,
    }
    changed = {
        "offset": shared + 2 * 2048,
        "length": 2048,
        "first_lba": shared // 2048 + 2,
        "last_lba": shared // 2048 + 2,
    }
    part = document["parts"][0]
    assert (part["how"], part["from"], part["changed"]) == ("sectors", [1], [changed])
    assert (part["first_lba"], part["last_lba"], part["possible"]) == (1024, 1535, 8)
    assert document["parts"][1]["how"] == "copy"
    assert document["touched"]["open"] == []
    assert [each["path"] for each in document["touched"]["mended"]] == ["/FILLER.DAT"]
    assert document["findings"] == []


def test_json_of_what_was_refused(shelf: Shelf) -> None:
    # Both hold wrong bytes in all of one block: more combinations than JSON numbers keep.
    [copy] = copies(shelf, spoiled(2 * MIB, length=MIB))
    document = shelf.json(
        "mend",
        "home/tide.iso",
        "--from",
        copy,
        "-o",
        shelf.folder / "x.iso",
        "--tries",
        "9",
        code=BLOCKED,
    )
    assert document["outcome"] == "incomplete"
    assert document["is_written"] is False
    [part] = [each for each in document["parts"] if each["how"] == "not-mended"]
    assert (part["tried"], part["possible"]) == (9, None)
    assert "of about 10^154" in document["findings"][0]["message"]


def test_quiet(shelf: Shelf) -> None:
    [copy] = copies(shelf, TIDE + b"padding")
    output = shelf.folder / "mended.iso"
    arguments = ["mend", "home/tide.iso", "-q", "--from"]
    assert shelf.run(*arguments, copy, "-o", output).output == ""
    [copy] = copies(shelf, spoiled(2 * MIB + 5000))
    out = shelf.run(*arguments, copy, "-o", output, "--replace", code=BLOCKED).stdout
    assert out.startswith("error block-can-be-mended")
    assert output.read_bytes() == TIDE


def test_forty_columns(shelf: Shelf, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(shelf.folder)
    shelf.width = 40
    copies(shelf, spoiled(2 * MIB), spoiled(2 * MIB + 5000), spoiled(5000))
    names = [f"elsewhere/{number}.iso" for number in range(3)]
    runs = [
        shelf.run("mend", "home/tide.iso", "--from", names[0], "-o", "a.iso"),
        shelf.run("mend", "home/tide.iso", "--from", names[1], "-o", "b.iso", code=BLOCKED),
        shelf.run("mend", names[0], "--from", *names[1:], "-o", "c.iso", code=1),
        shelf.run("mend", names[0], "--from", names[1], "-o", "d.iso", code=BLOCKED),
    ]
    for result in runs:
        assert max(map(len, result.stdout.splitlines())) <= 40


def test_names_cannot_steer_a_terminal(shelf: Shelf) -> None:
    copy = write(shelf.folder / "c\x1b[31m\u202e.iso", TIDE + b"padding")
    result = shelf.run("mend", "home/tide.iso", "--from", copy, "-o", shelf.folder / "m\x1b]0;.iso")
    assert "\x1b" not in result.output
    assert "\u202e" not in result.output


def test_many_parts_are_counted(shelf: Shelf) -> None:
    places = [2048 * number for number in range(40, 2400, 60)]
    image, *others = copies(shelf, spoiled(*places), TIDE, TIDE)
    out = shelf.run("mend", image, "--from", *others, "-n", code=1).stdout
    assert "… and 28 more parts; --json lists all" in out


def test_killed_at_any_moment(tmp_path: Path) -> None:
    """Nothing under the final name, nothing of the sources changed, and the next run ends well."""
    folder = tmp_path / "discs"
    folder.mkdir()
    data = random.Random(5).randbytes(MIB) * 48
    wrong = bytearray(data)
    wrong[40 * MIB] ^= 1
    sources = [folder / name for name in ("image.iso", "a.iso", "b.iso")]
    for path, content in zip(sources, (bytes(wrong), data, data), strict=True):
        path.write_bytes(content)
    output = folder / "mended.iso"
    words = ["mend", sources[0], "--from", *sources[1:], "-o", output, "--fail-on", "never"]
    command = [sys.executable, "-m", "mediashelf", *map(str, words)]
    dice = random.Random(7)
    in_the_middle = 0
    for _ in range(6):
        running = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        deadline = time.monotonic() + 20
        while not partials(folder) and running.poll() is None and time.monotonic() < deadline:
            time.sleep(0.002)
        time.sleep(dice.uniform(0, 0.03))
        running.send_signal(signal.SIGKILL)
        running.wait()
        was_killed = running.returncode == KILLED
        in_the_middle += was_killed and bool(partials(folder))
        if output.exists():
            assert output.read_bytes() == data
            output.unlink()
    assert in_the_middle >= 2
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
    assert output.read_bytes() == data
    assert sources[0].read_bytes() == wrong
    assert partials(folder) == []


def partials(folder: Path) -> list[str]:
    return [path.name for path in folder.iterdir() if path.name.startswith(".")]
