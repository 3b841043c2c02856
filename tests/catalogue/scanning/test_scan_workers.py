"""Who reads what in which order, when a few threads read many images."""

from __future__ import annotations

import os
import threading
from collections.abc import Callable
from concurrent.futures import Future
from pathlib import Path

import pytest

from mediashelf.catalogue.scanning.workers import read_together
from mediashelf.system import ask_ahead

SIZES = {"small": 70_000, "large": 5_000_000, "last": 100}


def test_small_files_are_asked_for_and_read_by_the_caller() -> None:
    asked: list[str] = []
    readers: dict[str, threading.Thread] = {}

    def read(job: str, _count: Callable[[int], None]) -> str:
        readers[job] = threading.current_thread()
        return job.upper()

    batches = list(read_together(SIZES, read, size_of=SIZES.__getitem__, ask_ahead=asked.append))
    assert [pair for batch in batches for pair in batch] == [(one, one.upper()) for one in SIZES]
    assert asked == ["small", "last"]
    here = threading.current_thread()
    assert [name for name, reader in readers.items() if reader is here] == ["small", "last"]


def test_while_others_are_at_the_first_the_caller_reads_what_is_left_to_it() -> None:
    first: Future[int] = Future()
    too_late = threading.Timer(20, first.set_result, [-1])
    too_late.start()

    def read(job: int, _count: Callable[[int], None]) -> int:
        if job == 3:
            first.set_result(0)
        return job

    def elsewhere(job: int, _here: Callable[[], int]) -> Future[int] | None:
        return first if job == 0 else None

    jobs = read_together(
        range(5), read, size_of=lambda job: 1, ask_ahead=lambda job: None, elsewhere=elsewhere
    )
    try:
        assert [result for batch in jobs for _, result in batch] == [0, 1, 2, 3, 4]
    finally:
        too_late.cancel()


@pytest.mark.parametrize("error", [ValueError, KeyboardInterrupt])
def test_what_was_read_before_an_error_is_given_first(error: type[BaseException]) -> None:
    def read(job: int, _count: Callable[[int], None]) -> int:
        if job == 3:
            raise error
        return job

    given: list[int] = []
    with pytest.raises(error):
        for batch in read_together(
            range(6), read, size_of=lambda job: 1, ask_ahead=lambda job: None
        ):
            given += [result for _, result in batch]
    assert given == [0, 1, 2]


@pytest.mark.skipif(not hasattr(os, "posix_fadvise"), reason="POSIX asks ahead")
def test_a_file_that_went_is_asked_for_in_vain(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[int] = []
    (tmp_path / "here.iso").write_bytes(b"x")
    with monkeypatch.context() as patched:
        patched.setattr(os, "posix_fadvise", lambda *given: asked.append(given[3]))
        ask_ahead(tmp_path / "gone.iso")
        ask_ahead(tmp_path / "here.iso")
    assert asked == [os.POSIX_FADV_WILLNEED]
