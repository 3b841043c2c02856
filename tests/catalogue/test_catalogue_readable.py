"""Which images a target can read: from the record alone, and asked once until something changes."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from msgspec.structs import replace

from made_library import DATE, TICK, Library, write
from make_image import make_iso
from mediashelf import own_process
from mediashelf.catalogue import readable
from mediashelf.catalogue.questions import worked_out
from mediashelf.catalogue.readable import readable_by
from mediashelf.catalogue.schema import transaction
from mediashelf.helping import processes
from mediashelf.helping.processes import Helpers
from mediashelf.jobs.library import listing
from mediashelf.jobs.library.listing import Wanted, list_images
from mediashelf.readability.check import worst_for_targets
from mediashelf.readability.targets import Target, load_targets


@pytest.fixture
def deep_and_flat(library: Library) -> Library:
    """Nine levels are one too many for dos and for nobody else (ECMA-119 6.8.2.1)."""
    write(library.root / "deep.iso", make_iso({"A/B/C/D/E/F/G/H/X.TXT": b"x"}, joliet=3).data, DATE)
    write(library.root / "flat.iso", make_iso({"X.TXT": b"x"}, joliet=3).data, DATE)
    write(library.root / "d.cue", b'FILE "d.bin" BINARY\n', DATE)
    library.scan()
    return library


def paths(library: Library, *targets: Target) -> list[str]:
    return [row.path for row in readable_by(library.catalogue, library.catalogue.images(), targets)]


def test_the_filter_agrees_with_the_check_itself(deep_and_flat: Library) -> None:
    targets = load_targets()
    assert paths(deep_and_flat, targets["dos"]) == ["flat.iso"]
    assert paths(deep_and_flat, targets["nt5"]) == ["deep.iso", "flat.iso"]
    assert paths(deep_and_flat, targets["nt5"], targets["dos"]) == ["flat.iso"]


def test_images_that_are_away_are_answered_too(deep_and_flat: Library) -> None:
    deep_and_flat.root.rename(deep_and_flat.root.parent / "unplugged")
    deep_and_flat.scan()
    assert paths(deep_and_flat, load_targets()["dos"]) == ["flat.iso"]


def test_an_answer_is_remembered_at_the_scan_until_image_or_target_change(
    deep_and_flat: Library, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[int] = []

    def counting(facts: Any, targets: Sequence[Target]) -> Any:
        asked.append(facts.size)
        return worst_for_targets(facts, targets)

    monkeypatch.setattr(readable, "worst_for_targets", counting)
    dos = load_targets()["dos"]
    paths(deep_and_flat, dos)
    assert not asked
    write(deep_and_flat.root / "flat.iso", make_iso({"Y.TXT": b"y"}, joliet=3).data, DATE + TICK)
    deep_and_flat.accept("flat.iso")
    assert len(asked) == 1
    paths(deep_and_flat, dos)
    assert len(asked) == 1
    for _ in range(2):
        paths(deep_and_flat, replace(dos, title="another title"))
        assert len(asked) == 3


def test_without_the_right_to_write_it_answers_all_the_same(
    deep_and_flat: Library, tmp_path: Path
) -> None:
    deep_and_flat.catalogue.can_write = False
    dos = replace(load_targets()["dos"], title="another title")
    fingerprints = "SELECT DISTINCT fingerprint FROM target_verdicts WHERE target = 'dos'"
    before = deep_and_flat.catalogue.db.execute(fingerprints).fetchall()
    assert paths(deep_and_flat, dos) == ["flat.iso"]
    assert deep_and_flat.catalogue.db.execute(fingerprints).fetchall() == before


def test_progress_counts_what_is_asked_alone(
    deep_and_flat: Library, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(listing, "is_served", lambda row: True)  # these are small
    told: list[tuple[int | None, list[int]]] = []

    @contextmanager
    def telling(label: str, *, total: int | None = None, unit: str = "B") -> Iterator[Any]:
        told.append((total, []))
        yield told[-1][1].append

    wanted = Wanted(target_names=["dos"])
    list_images(deep_and_flat.catalogue, wanted, progress=telling)
    assert told == []  # all was answered at the scan
    with transaction(deep_and_flat.catalogue.db):
        deep_and_flat.catalogue.db.execute("DELETE FROM target_verdicts")
    for _ in range(2):
        list_images(deep_and_flat.catalogue, wanted, progress=telling)
        assert told == [(2, [1, 1])]


@pytest.mark.parametrize("fate", ["live", "die", "are not started"])
def test_several_processes_work_out_the_same(
    deep_and_flat: Library, monkeypatch: pytest.MonkeyPatch, fate: str
) -> None:
    db = deep_and_flat.catalogue.db
    tables = ("target_verdicts", "disc_summaries")
    questions = [f"SELECT * FROM {table} ORDER BY 1, 2" for table in tables]
    targets = list(load_targets().values())
    as_scanned = [db.execute(question).fetchall() for question in questions]
    assert all(as_scanned)
    with transaction(db):
        for table in tables:
            db.execute(f"DELETE FROM {table}")
    monkeypatch.setattr(worked_out, "_ENOUGH", 1)
    monkeypatch.setattr(worked_out, "_QUESTION", 1)
    monkeypatch.setattr(processes, "processors", lambda: 2)
    rows = deep_and_flat.catalogue.images()
    lacking = worked_out.rows_to_work_out(deep_and_flat.catalogue, rows, targets)
    assert lacking == [row for row in rows if row.kinds]
    ask = Helpers.ask
    asked: list[Any] = []

    def ask_and_watch(self: Helpers[Any], *arguments: Any) -> Any:
        future = ask(self, *arguments)
        asked.append(future)
        for child in self._children if fate == "die" else ():
            child._process.kill()
        return future

    with monkeypatch.context() as watched:
        watched.setattr(Helpers, "ask", ask_and_watch)
        if fate == "are not started":
            watched.setattr(own_process.sys, "executable", "no-python")
        worked_out.work_out(deep_and_flat.catalogue, lacking, targets)
    assert bool(asked[0]) is (fate != "are not started")
    assert [db.execute(question).fetchall() for question in questions] == as_scanned
    assert not worked_out.rows_to_work_out(deep_and_flat.catalogue, rows, targets)
