"""RAR archives in several files: what headers and names say."""

from __future__ import annotations

import itertools

import pytest

from make_old_archives import make_rar, make_rar5_part, make_rar_parts
from mediashelf.formats.packed.rar_parts import (
    RarStart,
    goes_on,
    part_name,
    part_number,
    read_rar_start,
)
from mediashelf.trees.bytes import Start


def view(data: bytes) -> Start:
    return Start(data, len(data))


def test_the_main_header_says_what_kind_of_archive_it_is() -> None:
    first, second = make_rar_parts("LKV.SYS", b"video" * 100, 2)
    assert read_rar_start(view(first)) == RarStart(True, True, False)
    assert read_rar_start(view(second)) == RarStart(True, None, False)
    assert read_rar_start(view(make_rar({"A": b"a"}))) == RarStart(False, None, False)
    hidden = make_rar({"A": b"a"}, hides_names=True)
    assert read_rar_start(view(hidden)) == RarStart(False, None, True)
    assert read_rar_start(view(make_rar5_part(0))) == RarStart(True, True, False)
    assert read_rar_start(view(make_rar5_part(3))) == RarStart(True, False, False)


@pytest.mark.parametrize("size", [0, 7, 8, 9, 12])
def test_a_start_that_is_cut_says_nothing(size: int) -> None:
    assert read_rar_start(view(make_rar5_part(0)[:size])) is None
    assert read_rar_start(view(make_rar({"A": b"a"})[:size])) is None


def test_the_last_part_is_known() -> None:
    parts = make_rar_parts("LKV.SYS", b"video" * 100, 3)
    assert [goes_on(view(part)) for part in parts] == [True, True, False]
    without_end = [part[:-7] for part in parts]
    assert [goes_on(view(part)) for part in without_end] == [True, True, False]


@pytest.mark.parametrize(
    "names",
    [
        ["Video.part1.rar", "Video.part2.rar"],
        ["LAN.part08.rar", "LAN.part09.rar", "LAN.part10.rar"],
        ["LKV.rar", "LKV.r00", "LKV.r01"],
        ["LKV.r98", "LKV.r99", "LKV.s00"],
    ],
)
def test_names_of_parts(names: list[str]) -> None:
    for name, following in itertools.pairwise(names):
        number = part_number(name)
        assert part_number(following) == number + 1
        assert part_name(name, number + 1) == following
        assert part_name(following, number) == name
    assert part_name("LKV.bin", 2) == ""
