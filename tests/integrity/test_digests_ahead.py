"""Digests that are begun before anybody asks for them."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from mediashelf.errors import InputError
from mediashelf.integrity.fixity import ahead
from mediashelf.integrity.fixity.ahead import DigestsAhead, WantedDigests
from mediashelf.integrity.fixity.reading import digest_file

XXH = ("xxh3_128",)


def made(folder: Path, count: int) -> list[Path]:
    paths = [folder / f"{number}.iso" for number in range(count)]
    for number, path in enumerate(paths):
        path.write_bytes(bytes([number]) * (3 << 20) + b"end")
    return paths


def test_they_are_those_that_are_read_later(tmp_path: Path) -> None:
    (path,) = made(tmp_path, 1)
    counted: list[int] = []
    with DigestsAhead([WantedDigests(path, ("xxh3_128", "sha256"))]) as running:
        running._thread.join()
        begun = running.take(path)
        assert begun is not None
        found = begun.result(counted.append)
    assert found == digest_file(path, algorithms=("xxh3_128", "sha256"))
    assert sum(counted) == path.stat().st_size
    assert begun.unreadable == []


def test_none_is_begun_once_one_was_taken(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    paths = made(tmp_path, 3)
    read: list[Path] = []
    taken: list[object] = []

    def digest(path: Path, **options: object) -> object:
        read.append(path)
        taken.append(running.take(paths[2]))
        return digest_file(path)

    monkeypatch.setattr(ahead, "digest_file", digest)
    running = DigestsAhead(WantedDigests(path, XXH) for path in paths)
    with running:
        running._thread.join()
        assert running.take(paths[0]) is not None
        assert running.take(paths[1]) is None
    assert (read, taken) == ([paths[0]], [None])


def test_what_was_said_of_a_file_was_said_before_it_was_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (path,) = made(tmp_path, 1)

    def digest(path: Path, **options: object) -> object:
        os.utime(path, ns=(1, 1))
        return digest_file(path)

    was = path.stat().st_mtime_ns
    monkeypatch.setattr(ahead, "digest_file", digest)
    with DigestsAhead([WantedDigests(path, XXH)]) as running:
        running._thread.join()
        begun = running.take(path)
    assert begun is not None
    assert begun.before.st_mtime_ns == was


def test_a_fault_is_raised_to_whoever_takes_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (path,) = made(tmp_path, 1)

    def digest(path: Path, **options: object) -> object:
        raise InputError(f"{path}: cannot be read")

    monkeypatch.setattr(ahead, "digest_file", digest)
    with DigestsAhead([WantedDigests(path, XXH)]) as running:
        running._thread.join()
        begun = running.take(path)
        assert begun is not None
        with pytest.raises(InputError, match="cannot be read"):
            begun.result(lambda count: None)


def test_a_file_that_is_gone_is_left_to_its_reader(tmp_path: Path) -> None:
    gone, there = tmp_path / "gone.iso", *made(tmp_path, 1)
    with DigestsAhead([WantedDigests(gone, XXH), WantedDigests(there, XXH)]) as running:
        running._thread.join()
        assert running.take(gone) is None
        assert running.take(there) is not None


def test_nobody_waits_for_what_nobody_takes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (path,) = made(tmp_path, 1)
    faults: list[BaseException] = []

    def digest(path: Path, **options: object) -> object:
        on_bytes = options["on_bytes"]
        assert callable(on_bytes)
        try:
            while True:  # a file without an end
                on_bytes(1)
        except Exception as error:
            faults.append(error)
            raise

    monkeypatch.setattr(ahead, "digest_file", digest)
    with DigestsAhead([WantedDigests(path, XXH)]) as running:
        pass
    assert not running._thread.is_alive()
    assert len(faults) <= 1
