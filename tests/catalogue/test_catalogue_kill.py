"""A scan that is killed at any moment: the catalogue is whole, and the next scan finishes it."""

from __future__ import annotations

import random
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from interrupting import interrupt, start_python
from made_library import DATE, open_library, tide_image, write
from mediashelf.catalogue.store import open_catalogue

RUN = "from mediashelf.__main__ import run; run()"
SCAN = [sys.executable, "-m", "mediashelf", "scan", "--catalogue"]
MOMENTS = 10
IMAGES = 240
AUDITED = 60


def content(place: Path) -> dict[str, list[tuple[Any, ...]]]:
    """All that is on record, but ids and times."""
    with open_catalogue(place) as catalogue:
        images = [
            (row.path, row.size, row.mtime_ns, row.state, row.digests, row.labels, row.kinds)
            for row in catalogue.images()
        ]
        tables = {
            "blocks": "SELECT path, digests FROM block_digests JOIN images ON id = image_id",
            "facts": "SELECT path, packed FROM disc_facts JOIN images ON id = image_id",
            "entries": "SELECT images.path, number, folders.path, name, entries.size, marks "
            "FROM entries JOIN images ON images.id = image_id JOIN names ON names.id = name_id "
            "JOIN folders ON folders.id = folder_id",
            "findings": "SELECT path, origin, number, detail FROM findings "
            "JOIN images ON id = image_id",
            "fixity": "SELECT path, algorithm, digest, replaced_at FROM fixity "
            "JOIN images ON images.id = image_id",
            "names": "SELECT folded, name FROM names",
            "history": "SELECT path, event, seen_by, detail FROM history "
            "JOIN images ON images.id = image_id",
        }
        rows = {name: sorted(catalogue.db.execute(sql)) for name, sql in tables.items()}
    return {"images": images, **rows}


def run_whole(command: Sequence[object]) -> str:
    """Run a command to its end and return its answer."""
    done = subprocess.run(
        command, capture_output=True, encoding="utf-8", errors="replace", check=False
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


def count_images(db: sqlite3.Connection) -> int:
    return int(db.execute("SELECT count(*) FROM images").fetchone()[0])


def kill_when(db: sqlite3.Connection, count: int, delay: float, place: Path) -> None:
    """Start a scan, and kill it a moment after so many images are on record."""
    running = subprocess.Popen([*SCAN, place], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    while running.poll() is None and count_images(db) < count:
        time.sleep(0.001)
    time.sleep(delay)
    running.send_signal(signal.SIGKILL)
    running.wait()


def test_killed_at_ten_moments(tmp_path: Path) -> None:
    with open_library(tmp_path) as library:
        for number in range(IMAGES):
            data = tide_image(number)
            if number % 10 == 3:
                data = data[:-4096]  # some have findings
            write(library.root / f"{number % 4}" / f"{number:03}.iso", data, DATE)
    place = tmp_path / "catalogue.sqlite"
    whole = tmp_path / "whole.sqlite"
    whole.write_bytes(place.read_bytes())

    run_whole([*SCAN, whole])

    dice = random.Random(20_251_125)
    in_the_middle = 0
    db = sqlite3.connect(place, isolation_level=None)
    db.execute("PRAGMA foreign_keys = ON")
    for _ in range(MOMENTS):
        # Some records go, so that every run has work to be killed at.
        db.execute("DELETE FROM images WHERE id % 4 != 0")
        before = count_images(db)
        kill_when(db, dice.randint(before + 1, IMAGES - 8), dice.uniform(0, 0.005), place)
        in_the_middle += before < count_images(db) < IMAGES
        assert db.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        assert db.execute("PRAGMA foreign_key_check").fetchall() == []
        db.execute("INSERT INTO name_index (name_index) VALUES ('integrity-check')")
    db.close()
    assert in_the_middle >= MOMENTS // 3

    run_whole([*SCAN, place])
    assert content(place) == content(whole)
    assert f"{IMAGES} unchanged" in run_whole([*SCAN, place])


def test_an_audit_that_is_killed_leaves_no_verdict_without_its_event(tmp_path: Path) -> None:
    with open_library(tmp_path) as library:
        for number in range(AUDITED):
            write(library.root / f"{number:03}.iso", tide_image(number), DATE)
        library.scan()
    place = tmp_path / "catalogue.sqlite"
    audit = [sys.executable, "-m", "mediashelf", "audit", "--due", "1d", "--catalogue", place]
    dice = random.Random(20_261_125)
    db = sqlite3.connect(place, isolation_level=None)
    judged = "SELECT count(*) FROM images WHERE verdict = 'sound'"
    in_the_middle = 0
    for _ in range(MOMENTS):
        db.execute("UPDATE images SET verdict = 'recorded', judged_by = 'scan', audited_at = NULL")
        db.execute("UPDATE fixity SET confirmed_at = recorded_at")
        db.execute("DELETE FROM history WHERE event = 'confirmed'")
        running = subprocess.Popen(audit, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        wanted = dice.randint(1, AUDITED - 8)
        while running.poll() is None and db.execute(judged).fetchone()[0] < wanted:
            time.sleep(0.001)
        running.send_signal(signal.SIGKILL)
        running.wait()
        sound = {row[0] for row in db.execute("SELECT id FROM images WHERE verdict = 'sound'")}
        told = [
            row[0] for row in db.execute("SELECT image_id FROM history WHERE event != 'recorded'")
        ]
        assert sorted(told) == sorted(sound)
        assert db.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        in_the_middle += 0 < len(sound) < AUDITED
    db.close()
    assert in_the_middle >= MOMENTS // 3
    run_whole(audit)
    with open_library(tmp_path) as library:
        assert set(library.states().values()) == {"sound"}
        events = library.catalogue.db.execute("SELECT count(*) FROM history").fetchone()
        assert events == (2 * AUDITED,)


def test_stopped_by_the_person(tmp_path: Path) -> None:
    """Ctrl-C: exit code 130, one clear sentence, and what was finished is kept."""
    with open_library(tmp_path) as library:
        write(library.root / "0.iso", tide_image(), DATE)
        with (library.root / "1.iso").open("wb") as file:
            file.truncate(1 << 38)  # sparse: it would be read for minutes
    place = tmp_path / "catalogue.sqlite"
    running = start_python(RUN, ["scan", "--catalogue", place])
    deadline = time.monotonic() + 90
    with open_catalogue(place) as catalogue:
        while not catalogue.images() and time.monotonic() < deadline:
            time.sleep(0.05)
    interrupt(running)
    out, err = running.communicate(timeout=90)
    assert running.returncode == 130
    assert "new: 0.iso" in out
    assert "Stopped. What was finished is kept." in err
    with open_catalogue(place) as catalogue:
        assert [row.path for row in catalogue.images()] == ["0.iso"]
