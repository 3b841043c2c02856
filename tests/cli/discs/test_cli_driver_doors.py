"""Covered, incomplete or none: each door says the same of each device, and names the same files."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import NamedTuple

import pytest

from cli_runs import Shelf
from driver_examples import inf_text
from make_files import make_cabinet, make_pe
from mediashelf.drivers.coverage import Cover
from mediashelf.drivers.verdict import decide

TARGETS = ("win9x", "nt5")
CABINET = make_cabinet([{"lkv.sys": b"driver"}]).data
WHOLE = {"lkv.sys": b"driver"}


class Case(NamedTuple):
    """One package for one device, and what it lacks for each target; None is no driver."""

    text: dict[str, str]
    files: dict[str, bytes]
    lacks: dict[str, tuple[str, ...] | None]
    of_system: tuple[str, ...] = ()


def both(*names: str) -> dict[str, tuple[str, ...] | None]:
    return dict.fromkeys(TARGETS, names)


CASES = {
    "whole": Case({}, WHOLE, both()),
    "gone": Case({}, {}, both("lkv.sys")),
    "empty": Case({}, {"lkv.sys": b""}, both("lkv.sys (cut short)")),
    "list": Case({"copies": "CopyFiles=List"}, WHOLE, both("[List] (no such section)")),
    "disk": Case(
        {"files": "lkv.sys=3"}, WHOLE, both("lkv.sys (on a disk that the INF does not define)")
    ),
    "cabinet": Case({"disks": "1=d,lkv.cab"}, {"lkv.cab": CABINET}, both()),
    "cut": Case(
        {"disks": "1=d,lkv.cab"},
        {"lkv.cab": CABINET[:-1]},
        both("lkv.sys (in a cabinet that is cut short or damaged)"),
    ),
    "above": Case(
        {"files": "lkv.sys=1,common"},
        {"../common/lkv.sys": b"x"},
        both("lkv.sys (found outside the package)"),
    ),
    "copied": Case(
        {"copies": "CopyFiles=@lkv.sys\r\nCopyINF=more.inf"},
        WHOLE,
        {"win9x": (), "nt5": ("more.inf",)},
    ),
    "system": Case(
        {"copies": "CopyFiles=@lkv.sys,@usbd.sys\r\n[Version]\r\nLayoutFile=layout.inf"},
        WHOLE,
        both(),
        ("usbd.sys",),
    ),
    "half": Case({}, {"lkv.sys": make_pe().data[:900]}, both("lkv.sys (cut short)")),
    "stale": Case(
        {"files": f"lkv.sys=1,,{len(make_pe().data) + 1}"}, {"lkv.sys": make_pe().data}, both()
    ),
    "outside": Case(
        {"copies": "CopyFiles=@lkv.sys,Gone\r\nInclude=base.inf"}, WHOLE, both(), ("[Gone]",)
    ),
    "modern": Case({"signature": "$Windows NT$"}, WHOLE, {"win9x": None, "nt5": ()}),
    "nobody": Case({"signature": "$Nobody$"}, WHOLE, dict.fromkeys(TARGETS)),
}


def words_of(case: Case, target: str) -> str:
    lacks = case.lacks[target]
    by = Cover.NONE if lacks is None else Cover.DRIVER
    return decide(by, lacks or (), case.of_system).words


@pytest.fixture
def shelf(tmp_path: Path) -> Shelf:
    """A recipe with all cases, a machine with their devices, and a shelf."""
    made = Shelf(tmp_path)
    made.home.mkdir()
    identifiers = []
    for number, (name, case) in enumerate(CASES.items(), 1):
        folder = tmp_path / "drivers" / name
        folder.mkdir(parents=True)
        identifiers.append(f"PCI\\VEN_F2C4&DEV_{number:04X}")
        text = inf_text(identifiers[-1], **case.text)  # type: ignore[arg-type]
        (folder / f"{name}.inf").write_bytes(text.encode("ascii"))
        for path, data in case.files.items():
            place = (folder / path).resolve()
            place.parent.mkdir(exist_ok=True)
            place.write_bytes(data)
    (tmp_path / "machine.txt").write_text("\n".join(identifiers))
    (tmp_path / "disc.toml").write_text(
        f'label = "DOORS"\ntargets = {json.dumps(TARGETS)}\nmachine = "machine.txt"\n'
        '[[folder]]\nfrom = "drivers"\nto = "/"\n'
    )
    return made


def answers(text: str) -> dict[tuple[str, str], str]:
    """What the JSON of ``drivers`` says of each device."""
    return {
        (target["target"], name): decide(
            Cover(device["by"]), device["missing"], device["of_system"]
        ).words
        for target in json.loads(text)["targets"]
        for name, device in zip(CASES, target["devices"], strict=True)
    }


def test_every_door_says_the_same(shelf: Shelf) -> None:
    never = ("-q", "--fail-on", "never")
    folder = shelf.folder
    asked = ("-m", folder / "machine.txt", *(word for name in TARGETS for word in ("-t", name)))
    expected = {
        (target, name): words_of(case, target) for target in TARGETS for name, case in CASES.items()
    }
    recipe, disc = folder / "disc.toml", shelf.home / "disc.iso"
    assert answers(shelf.run("drivers", recipe, "--json", *never).output) == expected
    shelf.run("build", recipe, "-o", disc, "--anyway", *never)
    assert answers(shelf.run("drivers", disc, *asked, "--json", *never).output) == expected
    screen = shelf.run("drivers", disc, *asked, "--fail-on", "never").output
    shelf.run("extract", disc, "INDEX.TXT", "INDEX.HTM", "-o", folder / "pages", "-q")
    index = (folder / "pages" / "INDEX.TXT").read_text("ascii")
    # A package may be whole for one system and not for another.
    plain = " ".join(index.split())
    assert "for win9x, complete; for nt5, incomplete, lacks more.inf" in plain
    page = re.sub("<[^>]*>", "", (folder / "pages" / "INDEX.HTM").read_text("ascii"))
    shelf.run("shelf", "add", shelf.home, "--name", "home")
    shelf.run("scan")
    of_shelves = shelf.run("drivers", "--shelves", *asked, "--json", *never).output
    assert answers(of_shelves) == expected
    # The library's recipe says so too, and its disc: whole packages out of the image.
    draft = folder / "library.toml"
    shelf.run("recipe", "new", "--shelves", *asked, "-o", draft)
    shelf.run("build", draft, "-o", folder / "second.iso", "--anyway", *never)
    second = shelf.run("drivers", folder / "second.iso", *asked, "--json", *never).output
    assert answers(second) == expected
    texts = {"screen": screen, "INDEX.TXT": index, "INDEX.HTM": page, "draft": draft.read_text()}
    for door, text in texts.items():
        plain = " ".join(text.replace("#", " ").split())
        for words in expected.values():
            assert words in plain, (door, words)
        assert f"win9x{' on machine.txt' * door.startswith('INDEX')}: 6 of 15 " in plain, door
