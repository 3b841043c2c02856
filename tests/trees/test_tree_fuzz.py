"""Every wrapping with random damage: a tree, findings or a clear error, within bounds."""

from __future__ import annotations

import random
import time
import tracemalloc
from pathlib import Path

import pytest

from make_wrappings import NEED_LIBARCHIVE, WRAPPINGS
from mediashelf.errors import InputError
from mediashelf.trees.inside import iter_trees
from mediashelf.trees.members import Bounds, TreeMember
from mediashelf.trees.opening import open_tree
from mediashelf.trees.tree import Tree

FILES = {
    "LAN/TERNFLD.INF": b"[Version]\r\nSignature=$CHICAGO$\r\n" * 9,
    "LAN/TERNFLD.SYS": random.Random(1).randbytes(3000) + bytes(2000),
    "README.TXT": b"Ternfield LAN",
}
BOUNDS = Bounds(members=500, least_bytes=4 << 20)


def mutated(data: bytes, seed: int) -> bytes:
    """The same with one to four changes, half of them near the beginning or the end."""
    randomness = random.Random(seed)
    out = bytearray(data)
    for _ in range(randomness.randint(1, 4)):
        edge = min(600, len(out))
        place = randomness.choice(["start", "end", "any", "any"])
        at = randomness.randrange(edge if place != "any" else len(out))
        if place == "end":
            at = len(out) - 1 - at
        kind = randomness.randrange(6)
        if kind == 0:
            out[at] ^= 1 << randomness.randrange(8)
        elif kind == 1:
            out[at] = randomness.choice([0, 0xFF, 0x7F, 0x80])
        elif kind == 2:
            out[at : at + 4] = randomness.choice([b"\xff" * 4, bytes(4), randomness.randbytes(4)])
        elif kind == 3:
            del out[at : at + randomness.randint(1, 40)]
        elif kind == 4:
            out[at:at] = randomness.randbytes(randomness.randint(1, 40))
        else:
            del out[max(at, 1) :]
    return bytes(out)


def read_all(path: Path) -> int:
    """Open what is there and in it, and read all; returns how many bytes came out."""
    count = 0
    with open_tree(path, bounds=BOUNDS) as top:
        for tree in iter_trees(top, bounds=BOUNDS):
            if not isinstance(tree, Tree):
                assert tree.rule == "not-opened"
                continue
            for member in tree.members:
                count += _read(tree, member)
    return count


def _read(tree: Tree, member: TreeMember) -> int:
    assert all(part not in ("", ".", "..") and "/" not in part for part in member.parts)
    count = 0
    try:
        for piece in tree.stream(member):
            count += len(piece)
        assert count == member.size
    except InputError as error:
        assert str(error)
    return count


@pytest.mark.parametrize("name", WRAPPINGS)
def test_damage_gives_no_more_than_a_clear_error(tmp_path: Path, name: str) -> None:
    data = WRAPPINGS[name](FILES)
    path = tmp_path / name
    tracemalloc.start()
    try:
        for seed in range(4 if name in NEED_LIBARCHIVE else 60):
            path.write_bytes(mutated(data, seed))
            began = time.monotonic()
            try:
                assert read_all(path) < 64 << 20
            except InputError as error:
                assert str(path) in str(error)
            assert time.monotonic() - began < 20
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert peak < 120 << 20
