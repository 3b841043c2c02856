"""Holes of sparse files are zeros that nobody reads; the digests are those of the same bytes."""

from __future__ import annotations

import os
import random
from io import FileIO
from pathlib import Path

import pytest

from mediashelf.integrity.fixity.holes import AroundHoles, is_sparse
from mediashelf.integrity.fixity.reading import digest_file

BLOCK = 1 << 16
MAPS = ("", "d", "h", "hd", "dh", "dhd", "hdh", "hhhhddhhhhhhhhhhhhhhhhhhhdhhh", "h" * 40 + "dd")


def make(path: Path, blocks: str, tail: int = 0) -> bytes:
    """Write data and holes, a block for each letter, then ``tail`` bytes of a hole."""
    chance = random.Random(len(blocks))
    whole = b""
    with path.open("wb") as file:
        for number, kind in enumerate(blocks):
            data = chance.randbytes(BLOCK) if kind == "d" else bytes(BLOCK)
            whole += data
            if kind == "d":
                file.seek(number * BLOCK)
                file.write(data)
        file.truncate(len(whole) + tail)
    return whole + bytes(tail)


@pytest.mark.parametrize("tail", [0, 777])
@pytest.mark.parametrize("blocks", MAPS)
def test_digests_are_unchanged(tmp_path: Path, blocks: str, tail: int) -> None:
    sparse, plain = tmp_path / "sparse.iso", tmp_path / "plain.iso"
    whole = make(sparse, blocks, tail)
    plain.write_bytes(whole)
    assert sparse.read_bytes() == whole
    algorithms = ("xxh3_128", "sha256")
    expected = digest_file(plain, algorithms=algorithms)
    counts: list[int] = []
    assert digest_file(sparse, algorithms=algorithms, on_bytes=counts.append) == expected
    assert sum(counts) == len(whole)
    assert digest_file(sparse, algorithms=algorithms, unreadable=[]) == expected


class Counting:
    """The file itself, with the bytes that were asked of it."""

    def __init__(self, file: FileIO) -> None:
        self.file, self.read = file, 0

    def readinto(self, buffer: memoryview) -> int | None:
        count = self.file.readinto(buffer)
        self.read += count or 0
        return count


@pytest.mark.skipif(not hasattr(os, "SEEK_DATA"), reason="this system does not tell holes")
def test_a_hole_is_not_read(tmp_path: Path) -> None:
    path = tmp_path / "sparse.iso"
    whole = make(path, "h" * 200 + "d" + "h" * 200)
    with FileIO(path, "rb") as file:
        if not is_sparse(file.fileno()):
            pytest.skip("this file system keeps no holes")
        counting = Counting(file)
        stream = AroundHoles(file, counting)
        buffer = memoryview(bytearray(1 << 18))
        found = b""
        while count := stream.readinto(buffer):
            found += bytes(buffer[:count])
    assert found == whole
    assert counting.read <= 4 * BLOCK
