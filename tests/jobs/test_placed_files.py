"""Files of plans and sources are made when asked for; the answers are those of a list."""

from __future__ import annotations

import random

from mediashelf.building.tree import Content, DiscFile
from mediashelf.drivers.packages.listed_files import ListedFiles
from mediashelf.drivers.packages.tree import TreeFile
from mediashelf.jobs.discs.placed_files import PlacedFiles

NAMES = ("LKV.INF", "lkv.inf", "lkv.sys", "Setup.EXE", "ΟΔΟΣ.txt", "a")
FOLDERS = ("", "/Disk", "/disk", "/Disk/nt", "/disk/NT")


def test_placed_files_answer_as_listed_files() -> None:
    chance = random.Random(7)
    for _ in range(40):
        places = [(folder, name) for folder in FOLDERS for name in NAMES if chance.random() < 0.4]
        chance.shuffle(places)
        files = [
            DiscFile(name, Content(name, number), 0) for number, (_, name) in enumerate(places)
        ]
        hidden = [("/H", f"{number:03}.BIN") for number in range(len(places))]
        placed = PlacedFiles(
            files, *(tuple(zip(*each, strict=True)) or ((), ()) for each in (places, hidden))
        )
        every = tuple(
            TreeFile("/".join(place), number, "/".join(other))
            for number, (place, other) in enumerate(zip(places, hidden, strict=True))
        )
        listed = ListedFiles(every)
        assert tuple(placed) == every
        assert placed.seen_count == listed.seen_count
        for folder in (*FOLDERS, "/none"):
            for name in (*NAMES, "none"):
                path = f"{folder}/{name}"
                assert placed.find(path) == listed.find(path)
                assert placed.find_names(name) == list(listed.find_names(name))
                assert placed.find_name(name) == listed.find_name(name)
        for path in ("/h/000.bin", "/H/001.BIN", "/H", "LKV.INF", ""):
            assert placed.find_hidden(path) == listed.find_hidden(path)
            assert placed.find(path) == listed.find(path)
        for ends in ((".inf",), (".sys", ".exe"), ("lkv.inf",)):
            assert list(placed.iter_ending(ends)) == list(listed.iter_ending(ends))
        assert [placed.content(one) for one in every] == [file.own for file in files]
