"""Reading back: the right digests at every size, from the device where there is one."""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
from pathlib import Path

import pytest

from mediashelf.errors import StagingError
from mediashelf.sessions import reading_back as readback
from mediashelf.sessions.mounts import lives_in_memory
from mediashelf.sessions.reading_back import (
    digest_bytes,
    digest_or_none,
    digest_whole,
    read_back_file,
)
from session_bench import noise

BUFFER = 4 << 20


@pytest.mark.parametrize(
    "size", [0, 1, 511, 512, 4095, 4097, 614_400, BUFFER - 1, BUFFER, BUFFER + 1, 2 * BUFFER + 77]
)
def test_digests_are_right_at_every_size(tmp_path: Path, size: int) -> None:
    data = noise("x", size)
    (tmp_path / "x").write_bytes(data)
    counted: list[int] = []
    found = read_back_file(tmp_path / "x", on_bytes=counted.append)
    assert found.size == sum(counted) == size
    assert found.digests.sha256 == hashlib.sha256(data).hexdigest()
    assert found.digests == digest_whole(tmp_path / "x") == digest_bytes(data)


def test_memory_is_not_called_a_device(tmp_path: Path) -> None:
    memory = Path("/dev/shm")
    if not memory.is_dir() or not lives_in_memory(memory):
        pytest.skip("needs a file system in memory at /dev/shm")
    path = memory / f"mediashelf-test-{os.getpid()}"
    try:
        path.write_bytes(b"x" * 5000)
        assert read_back_file(path).word == "cache"
    finally:
        path.unlink()


def test_without_direct_reading_the_digests_are_the_same(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "x").write_bytes(noise("x", 100_001))
    direct = read_back_file(tmp_path / "x")
    monkeypatch.setattr(readback, "_digest_past_memory", lambda path, on_bytes: None)
    buffered = read_back_file(tmp_path / "x")
    assert buffered.digests == direct.digests
    assert buffered.word == "cache"


def test_bytes_on_their_way_to_the_device_are_flushed_first(tmp_path: Path) -> None:

    path = tmp_path / "x"
    path.write_bytes(b"A" * 8192)
    if read_back_file(path).word != "device":
        pytest.skip("this file system is not read past the system's memory")
    # Bytes that are still on their way to the device are flushed first, never missed.
    with path.open("r+b", buffering=0) as stream:
        stream.write(b"B" * 10)
        found = read_back_file(path)
    assert found.digests.sha256 == hashlib.sha256(b"B" * 10 + b"A" * 8182).hexdigest()


def test_damage_on_the_device_is_seen_although_memory_is_sound(tmp_path: Path) -> None:
    """A card that lost bytes behind the system's back: only reading past memory can tell."""
    needed = ["mkfs.ext4", "mount", "umount"]
    if os.name == "nt" or os.geteuid() != 0 or not all(map(shutil.which, needed)):
        pytest.skip(f"needs root and {', '.join(needed)}")
    device, card = tmp_path / "device.img", tmp_path / "card"
    device.write_bytes(bytes(16 << 20))
    card.mkdir()
    subprocess.run(["mkfs.ext4", "-q", "-F", device], check=True)
    mounted = subprocess.run(["mount", "-o", "loop", device, card], capture_output=True)
    if mounted.returncode != 0:
        pytest.skip("this system does not let tests mount a file system")
    try:
        data = noise("disc", 1 << 20)
        path = card / "01-DISC.iso"
        path.write_bytes(data)
        assert read_back_file(path).digests == digest_bytes(data)
        assert path.read_bytes() == data  # now it is in memory
        at = device.read_bytes().index(data[-4096:])
        with device.open("r+b") as stream:
            stream.seek(at)
            stream.write(b"lost")
            stream.flush()
            os.fsync(stream.fileno())
        assert path.read_bytes() == data
        found = read_back_file(path)
        assert (found.word, found.size) == ("device", len(data))
        damaged = data[:-4096] + b"lost" + data[-4092:]
        assert found.digests.sha256 == hashlib.sha256(damaged).hexdigest()
    finally:
        subprocess.run(["umount", card], check=True)


def test_what_cannot_be_read_is_an_error(tmp_path: Path) -> None:
    with pytest.raises(StagingError, match=r"cannot be read back from the card: .*No such file"):
        read_back_file(tmp_path / "none")
    assert digest_or_none(tmp_path / "none") is None
