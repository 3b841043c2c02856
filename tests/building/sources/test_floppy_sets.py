"""Floppies whose setup texts name each other by tag files go to one place on the disc."""

from __future__ import annotations

from pathlib import Path

import pytest

from make_fat import make_fat
from make_wrappings import make_zip
from mediashelf.building.recipes.source_names import recipe_from_folders
from mediashelf.building.sources.floppy_sets import join_floppies

INF = (
    b"[Version]\r\nSignature=$CHICAGO$\r\n[SourceDisksNames]\r\n"
    b'1 = "Quillon disk 1", quil.1, ,\r\n2 = "Quillon disk 2", quil.2, ,\r\n'
)
OEM = b'[Disks]\r\nd1 = "Disk 1", \\quil.1, \\\r\nd2 = "Disk 2", \\quil.2, \\\r\n'


def places(folder: Path, floppies: dict[str, bytes]) -> dict[str, tuple[str, ...]]:
    for name, data in floppies.items():
        (folder / name).write_bytes(data)
    recipe = join_floppies(recipe_from_folders([folder / name for name in floppies]))
    return {source.path.name: source.to for source in recipe.folders}


@pytest.mark.parametrize(("name", "text"), [("OEMSETUP.INF", INF), ("TXTSETUP.OEM", OEM)])
def test_a_set_alone_makes_the_root(tmp_path: Path, name: str, text: bytes) -> None:
    found = places(
        tmp_path,
        {
            "disk1.ima": make_fat({name: text, "QUIL.1": b""}),
            "disk2.img": make_fat({"QUIL.2": b"", "WAVE.DRV": b"wave"}),
        },
    )
    assert found == {"disk1.ima": (), "disk2.img": ()}


def test_other_sources_keep_their_places(tmp_path: Path) -> None:
    found = places(
        tmp_path,
        {
            "tools.zip": make_zip({"QUIL.2": b""}),
            "disk2.ima": make_fat({"QUIL.2": b"", "WAVE.DRV": b"wave"}),
            "disk1.ima": make_fat({"OEMSETUP.INF": INF, "QUIL.1": b""}),
            "lan.ima": make_fat({"LAN.INF": b"[Version]\r\n"}),
        },
    )
    assert found == {
        "tools.zip": ("tools",),
        "disk2.ima": ("disk2",),
        "disk1.ima": ("disk2",),
        "lan.ima": ("lan",),
    }


@pytest.mark.parametrize(
    "second",
    [
        {"WAVE.DRV": b"wave"},  # no tag file
        {"QUIL.1": b"", "QUIL.2": b""},  # a tag of the first as well: a copy of it all
    ],
)
def test_without_clear_tags_each_stays_alone(tmp_path: Path, second: dict[str, bytes]) -> None:
    found = places(
        tmp_path,
        {
            "disk1.ima": make_fat({"OEMSETUP.INF": INF, "QUIL.1": b""}),
            "disk2.ima": make_fat(second),
        },
    )
    assert found == {"disk1.ima": ("disk1",), "disk2.ima": ("disk2",)}
