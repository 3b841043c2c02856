"""A set of cabinets on disk, and what of its files can be had."""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from make_cabinet_sets import split_cabinet
from make_files import MSZIP, make_cabinet
from mediashelf.errors import InputError
from mediashelf.trees.opening import open_tree

NAMES = ("lan1.cab", "lan2.cab", "lan3.cab")
NOISE = random.Random(11)
LONG = {
    "TLAN.INF": b"[Version]\r\n" + NOISE.randbytes(20_000),
    "TLAN.SYS": NOISE.randbytes(150_000),
    "README.TXT": NOISE.randbytes(9_000),
}
LAST = {"SETUP.TXT": b"Ternfield LAN " * 5_000}
FILES = LONG | LAST
CUTS = (50_000, 110_000)


def parts_of(cuts: tuple[int, ...] = CUTS, compression: int = MSZIP) -> dict[str, bytes]:
    whole = make_cabinet([LONG, LAST], compression=compression).data
    return split_cabinet(whole, cuts, NAMES[: len(cuts) + 1])


def put(folder: Path, parts: dict[str, bytes]) -> Path:
    folder.mkdir(exist_ok=True)
    for name, data in parts.items():
        (folder / name).write_bytes(data)
    return folder


def content(place: Path) -> dict[str, bytes]:
    with open_tree(place) as tree:
        assert not tree.findings
        return {one.path: b"".join(tree.stream(one)) for one in tree.members}


def refusal(place: Path) -> str:
    with pytest.raises(InputError) as caught:
        open_tree(place)
    return str(caught.value)


def known_and_lost(place: Path) -> tuple[dict[str, bytes], dict[str, str], list[str]]:
    """Return the files that can be had, why others cannot, and what else is said."""
    with open_tree(place) as tree:
        whole = {
            one.path: b"".join(tree.stream(one)) for one in tree.members if one.unreadable is None
        }
        lost = {one.path: one.unreadable.reason for one in tree.members if one.unreadable}
        return whole, lost, [one.message for one in tree.findings]
