"""Runs that do not go as planned: a card that is full, pulled or changed, runs that were killed."""

from __future__ import annotations

import errno
import os
from collections.abc import Callable
from pathlib import Path

import pytest

from mediashelf.errors import OutputError, StagingError
from mediashelf.findings import Severity
from mediashelf.sessions.cards import staging
from mediashelf.sessions.cards.lock import hold_card
from mediashelf.sessions.reading_back import ReadBack, read_back_file
from prepared_cards import DRIVERS, SLIDES, SYSTEM, check
from session_bench import Bench


def test_a_source_that_changes_while_it_is_copied_is_an_error(bench: Bench) -> None:
    def grow(count: int) -> None:
        with bench.system.open("ab") as stream:
            stream.write(b"\0" * 2048)

    with pytest.raises(
        StagingError,
        match=r"changed after it was checked \([\d,]+ bytes came of it, [\d,]+ expected\)",
    ):
        bench.prepare(on_bytes=grow)
    assert bench.images_on_card() == []
    assert not list(bench.card.glob(".*partial"))


def test_a_source_of_other_bytes_in_the_same_size_is_an_error(bench: Bench) -> None:
    def spoil(count: int) -> None:
        with bench.system.open("r+b") as stream:
            stream.seek(-2048, os.SEEK_END)
            stream.write(b"\xff" * 2048)

    with pytest.raises(
        StagingError, match=r"\(its modification time or its bytes\); do not change"
    ):
        bench.prepare(on_bytes=spoil)
    assert bench.images_on_card() == []


def test_a_card_that_gives_back_other_bytes_is_noticed(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    def spoil(path: Path, *, on_bytes: Callable[[int], None]) -> ReadBack:
        with path.open("r+b") as stream:
            stream.write(b"\xde\xad")
        return read_back_file(path, on_bytes=on_bytes)

    monkeypatch.setattr(staging, "read_back_file", spoil)
    with pytest.raises(StagingError, match="the bytes read back differ"):
        bench.prepare()
    assert bench.on_card() == {}


def test_a_file_that_somebody_puts_there_meanwhile_is_not_replaced(bench: Bench) -> None:
    def put(count: int) -> None:
        (bench.card / SYSTEM).write_bytes(b"mine, just now")

    with pytest.raises(StagingError, match="a file of this name appeared on the card"):
        bench.prepare(on_bytes=put)
    assert bench.on_card()[SYSTEM] == b"mine, just now"
    assert bench.prepare().manifest.discs[0].path == "01-K4E-KIOSK-SYSTEM-2.iso"
    assert bench.on_card()[SYSTEM] == b"mine, just now"


@pytest.mark.parametrize("number", [errno.ENOLCK, errno.EOPNOTSUPP])
def test_a_card_without_locks_is_prepared_with_a_note(
    bench: Bench, monkeypatch: pytest.MonkeyPatch, number: int
) -> None:
    """As on some network shares: flock(2) and the errors of NFS."""
    fcntl = pytest.importorskip("fcntl", reason="Windows has no flock")

    def refuse(*_: object) -> None:
        raise OSError(number, os.strerror(number))

    monkeypatch.setattr(fcntl, "flock", refuse)
    found = bench.prepare().session.findings
    (note,) = [one for one in found if one.rule == "card-is-locked"]
    assert (note.severity, note.where) == (Severity.NOTE, "the card")
    assert check(bench) == []


def test_a_card_that_is_pulled_is_an_error_in_words(bench: Bench) -> None:
    def pull(count: int) -> None:
        if bench.card.exists():
            bench.card.rename(bench.folder / "pulled")

    with pytest.raises(StagingError, match="run again"):
        bench.prepare(on_bytes=pull)
    (bench.folder / "pulled").rename(bench.card)
    assert bench.images_on_card() == []
    bench.prepare()
    assert check(bench) == []
    assert not list(bench.card.glob(".*"))


def test_a_card_that_fills_up_at_the_very_end_says_so(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(path: Path, data: bytes) -> None:
        reason = OSError(errno.ENOSPC, "No space left on device")
        raise OutputError(f"{path}: cannot be written: {reason.strerror}") from reason

    with monkeypatch.context() as patch:
        patch.setattr("mediashelf.sessions.cards.sheets.write_whole", full)
        with pytest.raises(StagingError, match="The images are on the card; free some space"):
            bench.prepare()
    assert bench.prepare().session.arrangement.write_size == 0


def test_a_run_that_ends_before_its_manifest_is_completed_by_the_next(bench: Bench) -> None:
    def fail(manifest: object) -> dict[str, bytes]:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        bench.prepare(sheets=fail)
    assert bench.images_on_card() == [SYSTEM, DRIVERS, SLIDES]
    assert "manifest.json" not in bench.on_card()
    assert ".mediashelf-staging.json" in bench.on_card()
    prepared = bench.prepare()
    assert prepared.session.arrangement.write_size == 0
    assert ".mediashelf-staging.json" not in bench.on_card()
    assert check(bench) == []


def test_a_broken_journal_makes_the_files_somebody_elses(bench: Bench) -> None:
    bench.prepare()
    (bench.card / "manifest.json").unlink()
    (bench.card / ".mediashelf-staging.json").write_text('{"format": "mediashelf-staging", "fi')
    before = bench.on_card()
    del before[".mediashelf-staging.json"]
    prepared = bench.prepare(tidy=True)
    assert before.items() <= bench.on_card().items()
    assert prepared.manifest.discs[0].path == "01-K4E-KIOSK-SYSTEM-2.iso"


def test_leftovers_of_killed_runs_are_removed_and_count_as_room(bench: Bench) -> None:
    for name in (".01-X.iso.1-ab.mediashelf-partial", "..02-Y.iso.1-ab.mediashelf-partial"):
        (bench.card / name).write_bytes(b"x" * 5000)
    bench.prepare()
    assert not list(bench.card.glob(".*"))


def test_two_runs_on_one_card_are_refused(bench: Bench) -> None:
    with (
        hold_card(bench.card) as held,
        pytest.raises(StagingError, match="another run is preparing this card"),
    ):
        assert held.is_locked
        bench.prepare()
    assert bench.on_card() == {}
    bench.prepare()
