"""Copies of one image: what became of each is found without a look at all the others."""

from __future__ import annotations

import os
import random
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from made_library import Library, open_library, tide_image, write
from mediashelf.catalogue.twins import Group, Twin, Twins, likeness


@contextmanager
def counted(db: sqlite3.Connection) -> Iterator[list[int]]:
    """Count the work that SQLite does, in hundreds of its instructions."""
    work = [0]

    def count() -> int:
        work[0] += 1
        return 0

    db.set_progress_handler(count, 100)
    try:
        yield work
    finally:
        db.set_progress_handler(None, 0)


def add_copies(library: Library, count: int) -> None:
    for number in range(count):
        write(library.root / f"{number % 5}" / f"{number}.iso", tide_image(1))


def copy_more(library: Library, count: int) -> None:
    for number in range(count):
        write(library.root / "more" / f"{number}.iso", tide_image(1))


def move_all(library: Library, count: int) -> None:
    for number in range(5):
        (library.root / f"{number}").rename(library.root / f"box {number}")


def change_all(library: Library, count: int) -> None:
    files = [*library.root.rglob("*.iso")]
    for number in range(count):
        write(library.root / "other" / f"{number}.iso", tide_image(2))
    library.scan()
    for file in files:
        write(file, tide_image(2))
        os.utime(file, ns=(1, 1))


def touch_all(library: Library, count: int) -> None:
    for file in library.root.rglob("*.iso"):
        os.utime(file, ns=(1, 1))


@pytest.mark.parametrize("then", [None, copy_more, move_all, change_all, touch_all])
def test_twice_the_copies_take_about_twice_the_work(
    tmp_path: Path, then: Callable[[Library, int], None] | None
) -> None:
    """Each was compared with all others: 2,000 copies of 1 MB took a minute."""
    found = []
    for count in (100, 200):
        (tmp_path / f"{count}").mkdir()
        with open_library(tmp_path / f"{count}") as library:
            add_copies(library, count)
            if then is not None:
                library.scan()
                then(library, count)
            with counted(library.catalogue.db) as work:
                _, outcomes = library.scan()
            assert len(outcomes) == count
            found.append(work[0])
    assert found[1] < 2.6 * found[0], found


def test_the_likeliest_copy_is_the_one_that_an_order_of_all_has_first(library: Library) -> None:
    pick = random.Random(4)
    names = ["a", "b", "disc.iso", "c"]

    def made(number: int) -> Twin:
        path = "/".join(pick.choices(names, k=pick.randint(1, 4)))
        return Twin(number, pick.choice(["home", "other"]), path, pick.random() < 0.3, False)

    twins = {number: made(number) for number in range(60)}
    group = Group(library.catalogue.db, list(twins.values()))
    for step in range(400):
        number = pick.randrange(80)
        if step % 3:
            twins[number] = made(number)
        else:
            twins.pop(number, None)
        group.put(number, twins.get(number))
        asked = made(99)
        but = pick.choice([None, pick.randrange(80)])
        ordered = sorted(
            (twin for twin in twins.values() if twin.id != but),
            key=lambda twin: likeness(twin, asked.shelf, asked.path),
        )
        assert group.likeliest(asked.shelf, asked.path, but) == next(iter(ordered), None)
        settled = next((twin for twin in ordered if not twin.waits), None)
        assert group.settled(asked.shelf, asked.path, but) == settled


@pytest.mark.parametrize(
    ("one", "other", "equal"),
    [
        ("a/b.iso", "a/b.iso", 2),
        ("x/a/b.iso", "y/a/b.iso", 2),
        ("b.iso", "a/b.iso", 1),
        ("b", "c", 0),
    ],
)
def test_likeness_counts_the_equal_names_at_the_ends(one: str, other: str, equal: int) -> None:
    twin = Twin(7, "home", one, False, False)
    assert likeness(twin, "home", other) == (-equal, False, 7)
    assert likeness(twin, "other", other) == (-equal, True, 7)


def test_copies_that_moved_are_followed_one_by_one(library: Library) -> None:
    add_copies(library, 30)
    library.scan()
    ids = {row.path: row.id for row in library.catalogue.images()}
    other = library.add_shelf("other")
    for number in range(10):
        path = f"{number % 5}/{number}.iso"
        write(other / "far" / path, (library.root / path).read_bytes())
        (library.root / path).unlink()
    assert [*library.events().values()] == ["moved"] * 10
    write(library.root / "new.iso", tide_image(1))
    assert library.events() == {"new.iso": "copy"}
    moved = {row.path: row.id for row in library.catalogue.images(shelf="other")}
    assert moved == {f"far/{path}": ids[path] for path in ids if f"far/{path}" in moved}
    assert len(moved) == 10


def test_what_another_run_wrote_meanwhile_is_known(library: Library) -> None:
    add_copies(library, 10)
    library.scan()
    db = library.catalogue.db
    twins = Twins(db)
    digest = library.catalogue.images()[0].digests["xxh3_128"]
    assert twins.of(digest).likeliest("home", "9.iso", None) is not None
    assert len(twins.of(digest).twins) == 10
    elsewhere = sqlite3.connect(library.catalogue.place)
    elsewhere.execute("UPDATE images SET path = X'78' WHERE id = 1")
    elsewhere.execute("DELETE FROM fixity WHERE image_id = 2")
    elsewhere.commit()
    elsewhere.close()
    assert len(twins.of(digest).twins) == 9


def bytes_of_the_other(library: Library, count: int) -> list[str]:
    change_all(library, count)
    return []


def copies_without_a_record(library: Library, count: int) -> list[str]:
    files = [library.root.parent / "new" / f"{number}.iso" for number in range(count)]
    return [str(write(file, tide_image(1))) for file in files]


@pytest.mark.parametrize("prepare", [bytes_of_the_other, copies_without_a_record])
def test_an_audit_of_twice_the_copies_takes_about_twice_the_work(
    tmp_path: Path, prepare: Callable[[Library, int], list[str]]
) -> None:
    found = []
    for count in (100, 200):
        (tmp_path / f"{count}").mkdir()
        with open_library(tmp_path / f"{count}") as library:
            add_copies(library, count)
            library.scan()
            names = prepare(library, count)
            with counted(library.catalogue.db) as work:
                results = library.audit(names)
            assert len(results) >= count
            found.append(work[0])
    assert found[1] < 2.6 * found[0], found
