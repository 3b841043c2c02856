"""A file that is written past the system's memory, or flushed on the way: bytes and errors."""

from __future__ import annotations

import errno
import os
import threading
from collections.abc import Callable
from functools import partial
from pathlib import Path

import pytest

from mediashelf import disk_writer
from mediashelf.disk_writer import EarlyFlush, write_to_disk
from mediashelf.errors import StagingError
from session_bench import make_bench, noise

PIECE = 1 << 16

needs_direct = pytest.mark.skipif(not hasattr(os, "O_DIRECT"), reason="needs O_DIRECT of Linux")


@pytest.fixture(params=["past memory", "flushed early"])
def way(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(disk_writer, "PIECE", PIECE)
    monkeypatch.setattr(disk_writer, "EarlyFlush", partial(EarlyFlush, step=PIECE))
    if request.param == "flushed early":
        monkeypatch.setattr(disk_writer, "_open_direct", lambda path: None)


@pytest.mark.usefixtures("way")
@pytest.mark.parametrize("size", [0, 1, 4095, 4096, PIECE - 1, PIECE, PIECE + 1, 7 * PIECE + 2048])
@pytest.mark.parametrize("step", [1000, 4096, PIECE, 3 * PIECE + 5])
def test_the_bytes_are_those_that_were_given(tmp_path: Path, size: int, step: int) -> None:
    data = noise("x", size)
    (tmp_path / "x").write_bytes(b"older and longer" * size)
    buffer = bytearray(step)  # what was given may change afterwards
    with write_to_disk(tmp_path / "x") as write:
        for start in range(0, size, step):
            piece = data[start : start + step]
            buffer[: len(piece)] = piece
            write(memoryview(buffer)[: len(piece)])
    assert (tmp_path / "x").read_bytes() == data


@pytest.mark.usefixtures("way")
def test_it_is_flushed_when_the_block_ends(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    sizes: list[int] = []
    monkeypatch.setattr(os, "fsync", lambda number: sizes.append(os.fstat(number).st_size))
    with write_to_disk(tmp_path / "x") as write:
        write(bytes(PIECE + 5))
    assert sizes[-1] == PIECE + 5


@needs_direct
def test_a_file_system_that_refuses_late_gets_the_bytes_as_usual(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import fcntl

    monkeypatch.setattr(disk_writer, "PIECE", PIECE)
    refused, pwrite = [], os.pwrite

    def refuse(number: int, data: memoryview, offset: int) -> int:
        if fcntl.fcntl(number, fcntl.F_GETFL) & os.O_DIRECT and offset:
            refused.append(offset)
            raise OSError(errno.EINVAL, "Invalid argument")
        return pwrite(number, data[:8192], offset)

    monkeypatch.setattr(os, "pwrite", refuse)
    data = noise("x", 4 * PIECE)
    with write_to_disk(tmp_path / "x") as write:
        write(data)
    assert (tmp_path / "x").read_bytes() == data
    assert len(refused) == 1


@needs_direct
@pytest.mark.parametrize("number", [errno.EIO, errno.ENOSPC, errno.EINVAL])
def test_an_error_of_the_disk_is_raised_at_once_or_at_the_end(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, number: int
) -> None:
    monkeypatch.setattr(disk_writer, "PIECE", PIECE)

    def fail(*what: object) -> int:
        raise OSError(number, os.strerror(number))

    monkeypatch.setattr(os, "pwrite", fail)
    for size in (5, PIECE, 2 * PIECE, 3 * PIECE):
        with pytest.raises(OSError) as raised, write_to_disk(tmp_path / "x") as write:
            write(bytes(size))
        assert raised.value.errno == number


@needs_direct
def test_what_stops_the_writer_is_not_hidden(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(*what: object) -> int:
        raise OSError(errno.EIO, "Input/output error")

    monkeypatch.setattr(os, "pwrite", fail)
    with pytest.raises(KeyboardInterrupt), write_to_disk(tmp_path / "x") as write:
        write(bytes(5))
        raise KeyboardInterrupt


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


def test_a_flush_that_fails_is_raised(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(descriptor: int) -> None:
        raise OSError(errno.EIO, "Input/output error")

    with (tmp_path / "x").open("wb") as file, monkeypatch.context() as patch:
        patch.setattr(os, "fsync", fail)
        with (
            pytest.raises(OSError, match="Input/output"),
            EarlyFlush(file.fileno(), step=10) as early,
        ):
            early.add(10)


def _fail_in(thread: str, work: Callable[..., int | None]) -> Callable[..., int | None]:
    def fail(*what: object) -> int | None:
        if threading.current_thread().name.startswith(thread):
            raise OSError(errno.EIO, "Input/output error")
        return work(*what)

    return fail


@pytest.mark.usefixtures("way")
def test_a_card_that_fails_on_the_way_gets_no_image(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    bench = make_bench(tmp_path)
    with monkeypatch.context() as patch:
        patch.setattr(os, "fsync", _fail_in("flush", os.fsync))
        if hasattr(os, "pwrite"):
            patch.setattr(os, "pwrite", _fail_in("disk", os.pwrite))
        with pytest.raises(
            StagingError, match=r"Input/output error\. Check the card and run again"
        ):
            bench.prepare()
    assert bench.images_on_card() == []
    bench.prepare()
    assert len(bench.images_on_card()) == 3


@pytest.mark.usefixtures("way")
def test_a_card_whose_last_flush_fails_gets_no_image(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    bench, flush, failed = make_bench(tmp_path), os.fsync, []

    def fail_once(number: int) -> None:
        # The system tells of it once: whoever flushes next hears nothing.
        is_whole = os.fstat(number).st_size == bench.system.stat().st_size
        is_last = is_whole and threading.current_thread() is threading.main_thread()
        if is_last and not failed:
            failed.append(number)
            raise OSError(errno.EIO, "Input/output error")
        flush(number)

    monkeypatch.setattr(os, "fsync", fail_once)
    with pytest.raises(StagingError, match="Input/output error"):
        bench.prepare()
    assert failed
    assert bench.images_on_card() == []
