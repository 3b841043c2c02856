"""Digests against published values, against other programs, and at every border of a block."""

from __future__ import annotations

import errno
import io
import os
import shutil
import subprocess
import tracemalloc
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from mediashelf.errors import InputError
from mediashelf.integrity.fixity.digests import (
    ALGORITHMS,
    BLOCK_DIGEST_SIZE,
    BLOCK_SIZE,
    Digester,
    Digests,
    differing_blocks,
)
from mediashelf.integrity.fixity.reading import digest_file, digest_stream

PUBLISHED = [
    # xxHash reference, cli/xsum_sanity_check.c: empty input, seed 0.
    ("xxh32", b"", "02cc5d05"),
    ("xxh64", b"", "ef46db3751d8e999"),
    ("xxh3_64", b"", "2d06800538d394c2"),
    ("xxh3_128", b"", "99aa06d3014798d86001c324468d497f"),
    # RevEng catalogue, CRC-32/ISO-HDLC, check value.
    ("crc32", b"123456789", "cbf43926"),
    # FIPS 180-2 B.1 (clause number from memory) and FIPS 180, the "abc" examples.
    ("sha256", b"abc", "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"),
    ("sha1", b"abc", "a9993e364706816aba3e25717850c26c9cd0d89d"),
    # RFC 1321 A.5 (the RFC's text from memory).
    ("md5", b"", "d41d8cd98f00b204e9800998ecf8427e"),
    ("md5", b"abc", "900150983cd24fb0d6963f7d28e17f72"),
]

PROGRAMS = {
    "md5": ["md5sum"],
    "sha1": ["sha1sum"],
    "sha256": ["sha256sum"],
    "sha512": ["sha512sum"],
    "b2": ["b2sum"],
    "xxh32": ["xxhsum", "-H0"],
    "xxh64": ["xxhsum", "-H1"],
    "xxh3_128": ["xxhsum", "-H2"],
}


def pattern(size: int) -> bytes:
    """Bytes without a period that divides a block."""
    return (bytes(range(251)) * (size // 251 + 1))[:size]


@pytest.mark.parametrize(("algorithm", "data", "expected"), PUBLISHED)
def test_published_values(algorithm: str, data: bytes, expected: str) -> None:
    assert digest_stream(io.BytesIO(data), algorithms=[algorithm]).whole == {algorithm: expected}


@pytest.mark.parametrize("algorithm", PROGRAMS)
@pytest.mark.parametrize("size", [0, 1, BLOCK_SIZE - 1, BLOCK_SIZE, 3 * BLOCK_SIZE + 17])
def test_agrees_with_the_usual_programs(tmp_path: Path, algorithm: str, size: int) -> None:
    command = PROGRAMS[algorithm]
    if shutil.which(command[0]) is None:
        pytest.skip(f"{command[0]} is not installed")
    path = tmp_path / "image.iso"
    path.write_bytes(pattern(size))
    printed = subprocess.run([*command, path], capture_output=True, text=True, check=True).stdout
    assert digest_file(path, algorithms=[algorithm]).whole[algorithm] == printed.split()[0]


def test_block_digests_are_those_of_each_mebibyte(tmp_path: Path) -> None:
    path = tmp_path / "image.iso"
    data = pattern(2 * BLOCK_SIZE + 5)
    path.write_bytes(data)
    expected = [
        digest_stream(io.BytesIO(data[start : start + BLOCK_SIZE]), algorithms=["xxh3_64"]).whole[
            "xxh3_64"
        ]
        for start in range(0, len(data), BLOCK_SIZE)
    ]
    found = digest_file(path)
    assert found.size == len(data)
    assert found.blocks == bytes.fromhex("".join(expected))
    assert len(found.blocks) == 3 * BLOCK_DIGEST_SIZE


def test_one_pass_serves_every_algorithm(tmp_path: Path) -> None:
    path = tmp_path / "image.iso"
    path.write_bytes(pattern(BLOCK_SIZE + 1))
    counted: list[int] = []
    together = digest_file(path, algorithms=ALGORITHMS, on_bytes=counted.append)
    assert sum(counted) == path.stat().st_size
    for algorithm in ALGORITHMS:
        assert digest_file(path, algorithms=[algorithm]).whole == {
            algorithm: together.whole[algorithm]
        }


class Dribble(io.RawIOBase):
    """A stream that gives few bytes at a time, as a pipe or a share may."""

    def __init__(self, data: bytes, step: int) -> None:
        self._data, self._step, self._at = data, step, 0

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: memoryview) -> int:  # type: ignore[override]
        piece = self._data[self._at : self._at + min(self._step, len(buffer))]
        buffer[: len(piece)] = piece
        self._at += len(piece)
        return len(piece)


def test_short_reads_do_not_move_block_borders() -> None:
    data = pattern(2 * BLOCK_SIZE + 9)
    assert digest_stream(Dribble(data, 65_521)) == digest_stream(io.BytesIO(data))


@settings(derandomize=True, deadline=None)
@given(st.binary(max_size=200), st.lists(st.integers(0, 40), max_size=12), st.integers(1, 32))
def test_pieces_of_any_length_give_the_same_digests(
    data: bytes, lengths: list[int], block_size: int
) -> None:
    at_once = Digester(ALGORITHMS, block_size=block_size)
    at_once.update(data)
    in_pieces = Digester(ALGORITHMS, block_size=block_size)
    start = 0
    for length in lengths:
        in_pieces.update(data[start : start + length])
        start += length
    in_pieces.update(data[start:])
    result = in_pieces.finish()
    assert result == at_once.finish()
    assert len(result.blocks) == BLOCK_DIGEST_SIZE * -(-len(data) // block_size)


def test_no_blocks_on_request() -> None:
    assert digest_stream(io.BytesIO(b"abc"), block_size=0).blocks == b""


def test_memory_stays_at_one_buffer(tmp_path: Path) -> None:
    path = tmp_path / "sparse.iso"
    with path.open("wb") as file:
        file.truncate(64 * BLOCK_SIZE)
    tracemalloc.start()
    try:
        digest_file(path)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert peak < 2 * BLOCK_SIZE


def test_reading_past_the_cache_gives_the_same(tmp_path: Path) -> None:
    path = tmp_path / "image.iso"
    path.write_bytes(pattern(BLOCK_SIZE + 3))
    assert digest_file(path, past_cache=True) == digest_file(path)


def test_unknown_algorithm_names_the_known_ones() -> None:
    with pytest.raises(ValueError, match="unknown algorithm 'rot13'; known: xxh3_128"):
        Digester(["rot13"])


def test_missing_file(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"gone\.iso: cannot be read: No such file"):
        digest_file(tmp_path / "gone.iso")


def test_a_folder_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="is not a regular file"):
        digest_file(tmp_path)


def test_a_fifo_is_refused_and_does_not_block(tmp_path: Path) -> None:
    path = tmp_path / "pipe.iso"
    os.mkfifo(path)
    with pytest.raises(InputError, match="is not a regular file"):
        digest_file(path)


class FailsAtSecondBlock(io.FileIO):
    """A file on a disk with a bad place."""

    def readinto(self, buffer: memoryview) -> int:  # type: ignore[override]
        if self.tell() >= BLOCK_SIZE:
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        return super().readinto(buffer)


def test_a_read_error_says_how_far_it_came(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "image.iso"
    path.write_bytes(pattern(2 * BLOCK_SIZE))
    monkeypatch.setattr("mediashelf.integrity.fixity.reading.FileIO", FailsAtSecondBlock)
    with pytest.raises(InputError, match=r"at or after byte 1,048,576: Input/output error"):
        digest_file(path)


def test_digests_do_not_touch_the_file(tmp_path: Path) -> None:
    path = tmp_path / "image.iso"
    path.write_bytes(b"abc")
    path.chmod(0o444)
    before = path.stat()
    assert digest_file(path) == Digests(
        3,
        {"xxh3_128": "06b05ab6733a618578af5f94892f3950"},  # computed by the reference library
        bytes.fromhex("78af5f94892f3950"),
    )
    after = path.stat()
    assert (before.st_mtime_ns, before.st_size) == (after.st_mtime_ns, after.st_size)


def test_differing_blocks() -> None:
    a, b, c = (bytes([value]) * BLOCK_DIGEST_SIZE for value in range(3))
    assert differing_blocks(a + b + c, a + b + c) == ()
    assert differing_blocks(a + b + c, a + c + c) == (1,)
    assert differing_blocks(a + b, a + b + c) == (2,)
    assert differing_blocks(a + b + c, b"") == (0, 1, 2)
