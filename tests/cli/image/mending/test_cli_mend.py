"""``mediashelf mend``: what is put right from which copies, and what proves it."""

from __future__ import annotations

import gzip
import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path

from cli_runs import Shelf
from made_library import DATE, overwrite, write
from mended_shelf import BLOCKED, MIB, TIDE, copies, flat, spoiled

KILLED = 1 if os.name == "nt" else -signal.SIGKILL  # "subprocess": Popen.terminate in Windows


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
