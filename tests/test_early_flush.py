"""A growing file is written out on the way, and an error of the disk is told once for sure."""

from __future__ import annotations

import errno
import os
import threading
from functools import partial
from pathlib import Path

import pytest

from mediashelf.early_flush import EarlyFlush
from mediashelf.errors import StagingError
from mediashelf.sessions.cards import staging
from session_bench import make_bench


def test_every_step_is_flushed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    flushed: list[int] = []
    with (tmp_path / "x").open("wb") as file, monkeypatch.context() as patch:
        patch.setattr(os, "fsync", flushed.append)
        with EarlyFlush(file.fileno(), step=10) as early:
            early.add(9)
        assert not flushed
        with EarlyFlush(file.fileno(), step=10) as early:
            early.add(9)
            early.add(1)
        assert flushed == [file.fileno()]


def test_an_error_of_the_disk_is_raised(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(descriptor: int) -> None:
        raise OSError(errno.EIO, "Input/output error")

    with (tmp_path / "x").open("wb") as file, monkeypatch.context() as patch:
        patch.setattr(os, "fsync", fail)
        with (
            pytest.raises(OSError, match="Input/output"),
            EarlyFlush(file.fileno(), step=10) as early,
        ):
            early.add(10)


def test_a_card_that_fails_on_the_way_gets_no_image(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    bench, flush = make_bench(tmp_path), os.fsync

    def fail(descriptor: int) -> None:
        if threading.current_thread().name.startswith("flush"):
            raise OSError(errno.EIO, "Input/output error")
        flush(descriptor)

    with monkeypatch.context() as patch:
        patch.setattr(os, "fsync", fail)
        patch.setattr(staging, "EarlyFlush", partial(EarlyFlush, step=1000))
        with pytest.raises(
            StagingError, match=r"Input/output error\. Check the card and run again"
        ):
            bench.prepare()
    assert bench.images_on_card() == []
    bench.prepare()
    assert len(bench.images_on_card()) == 3
