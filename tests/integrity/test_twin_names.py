"""Names of one file in several trees: one damaged character is found, and what writers do is not.

Names have no checksum in ECMA-119, Joliet and Rock Ridge; the comparison is our own behaviour.
"""

from __future__ import annotations

from collections.abc import Sequence

import pytest

from byte_views import BytesView
from make_image import MadeImage, make_iso, put
from mediashelf.findings import Finding
from mediashelf.formats.disc import read_disc
from mediashelf.formats.volume import DiscFacts, Entry, Extent, VolumeFacts, VolumeKind
from mediashelf.integrity.structure.twin_names import check_twin_names

FILES = {"LAMP.SYS": b"l" * 10, "README.TXT": b"r" * 20, "DRIVERS/SOUND.INF": b"s" * 30}
LONG = {"LAMP.SYS": "Lamp.sys", "README.TXT": "Readme.txt", "DRIVERS/SOUND.INF": "Sound.inf"}


def find(data: bytes) -> list[Finding]:
    return list(check_twin_names(read_disc(BytesView(data)).facts))


def disc(names: Sequence[tuple[str, str]], *kinds: VolumeKind) -> DiscFacts:
    """A disc whose files have these names in two trees, each file at a place of its own."""
    volumes = []
    for number, kind in enumerate(kinds):
        entries = [
            Entry(f"/{pair[number]}", pair[number], 100, False, (Extent(50 + at, 100),))
            for at, pair in enumerate(names)
        ]
        volumes.append(VolumeFacts(kind, "MADE", tuple(entries)))
    return DiscFacts(1 << 20, tuple(volumes))


EQUAL = [("A.TXT", "a.txt"), ("B.TXT", "B.txt")]


@pytest.mark.parametrize(
    ("short", "long"),
    [
        ("README.TXT", "Peadme.txt"),  # bit 1 of a letter
        ("READEE.TXT", "Readme.txt"),
        ("REAMDE;TXT", "reamde.txt"),  # a dot
        ("README.TXT", "Re\u0261dme.txt"),  # bit 1 of the high byte
        ("README.TXT", "\u2052eadme.txt"),
        ("R\x05ADME.TXT", "Readme.txt"),
        ("README.TXT", "Read-e.txt"),
    ],
)
def test_one_damaged_character_is_found(short: str, long: str) -> None:
    facts = disc([*EQUAL, (short, long)], VolumeKind.ISO9660, VolumeKind.JOLIET)
    (finding,) = check_twin_names(facts)
    assert (finding.rule, finding.where) == ("twin-names-agree", f"/{short}")
    assert (finding.found, finding.expected) == (repr(short), repr(long))


@pytest.mark.parametrize(
    ("short", "long"),
    [
        ("README.TXT", "readme.TXT"),
        ("READ_ME.TXT", "Read-me.txt"),
        ("READ_ME.TXT", "read me.txt"),
        ("A_B_.TXT", "a+b,.txt"),
        ("LONGNAM0.TXT", "LongName.txt"),  # numbered
        ("MDRAID00.MOD", "mdraid09.mod"),
        ("LONG~1.TXT", "Longer.txt"),
        ("README.TXT", "Readme.text"),  # another length
        ("ARGER.TXT", "\u00c4rger.txt"),  # a letter without its mark
        ("LODZ.TXT", "\u0141odz.txt"),
    ],
)
def test_what_writers_do_to_names_is_no_damage(short: str, long: str) -> None:
    facts = disc([*EQUAL, (short, long)], VolumeKind.ISO9660, VolumeKind.JOLIET)
    assert list(check_twin_names(facts)) == []


@pytest.mark.parametrize(
    ("joliet", "ridge", "is_damage"),
    [
        ("Readme.txt", "Readme.txt", False),
        ("Readme.txt", "Peadme.txt", True),
        ("readme.txt", "Readme.txt", True),
        ("what_.txt", "what?.txt", False),  # Joliet forbids it
        ("what-.txt", "what?.txt", False),
        ("read_.txt", "read\U0001d11e.txt", False),  # past 16 bits
        ("\u00e4.txt", "\x84.txt", False),  # another code page
        ("Re\u0161dme.txt", "Readme.txt", True),
        ("Readme.txt", "Read\xede.txt", True),
    ],
)
def test_long_names_are_the_same_in_both_trees(joliet: str, ridge: str, is_damage: bool) -> None:
    pairs = [("a.txt", "a.txt"), (joliet, ridge)]
    facts = disc(pairs, VolumeKind.JOLIET, VolumeKind.ROCKRIDGE)
    assert bool(list(check_twin_names(facts))) is is_damage


def test_trees_that_name_most_files_differently_are_left_alone() -> None:
    pairs = [("X1A.TXT", "x1b.txt"), ("X2A.TXT", "x2b.txt"), ("C.TXT", "c.txt")]
    assert not list(check_twin_names(disc(pairs, VolumeKind.ISO9660, VolumeKind.JOLIET)))
    pairs += [("D.TXT", "d.txt")]
    assert len(list(check_twin_names(disc(pairs, VolumeKind.ISO9660, VolumeKind.JOLIET)))) == 2


def test_files_that_share_their_place_are_not_compared() -> None:
    facts = disc(EQUAL, VolumeKind.ISO9660, VolumeKind.JOLIET)
    iso, joliet = facts.volumes
    more = [Entry(f"/{name}", name, 7, False, (Extent(90, 7),)) for name in ("Ca.txt", "Cb.txt")]
    short = Entry("/CC.TXT", "CC.TXT;1", 7, False, (Extent(90, 7),))
    shared = (
        VolumeFacts(iso.kind, "MADE", (*iso.entries, short)),
        VolumeFacts(joliet.kind, "MADE", (*joliet.entries, *more)),
    )
    assert list(check_twin_names(DiscFacts(1 << 20, shared))) == []
    other_way = (
        VolumeFacts(iso.kind, "MADE", (*iso.entries, *more)),
        VolumeFacts(joliet.kind, "MADE", (*joliet.entries, short)),
    )
    assert list(check_twin_names(DiscFacts(1 << 20, other_way))) == []


@pytest.mark.parametrize("kind", ["iso9660", "joliet"])
def test_a_damaged_name_of_a_file_is_told_once_with_its_place(kind: str) -> None:
    made = make_iso(FILES, joliet=3, rock_ridge=True, long_names=LONG)
    path = {"iso9660": "/LAMP.SYS", "joliet": "/Lamp.sys"}[kind]
    at = made.record(path, kind)
    step = 1 if kind == "iso9660" else 2
    data = put(made.data, at + 33 + step * 2 - 1, b"C" if kind == "iso9660" else b"c")
    assert find(made.data) == []
    findings = find(data)
    assert {finding.rule for finding in findings} == {"twin-names-agree"}
    assert len(findings) == (1 if kind == "iso9660" else 2)


def renamed_folder(made: MadeImage) -> bytes:
    """The folder's record and both path tables with one letter of Joliet changed."""
    data = made.data
    old, new = "DRIVERS".encode("utf-16-be"), "DRIVECS".encode("utf-16-be")
    assert data.count(old) >= 3
    return data.replace(old, new)


def test_a_damaged_name_of_a_folder_is_found() -> None:
    made = make_iso(FILES, joliet=3, long_names=LONG)
    (finding,) = find(renamed_folder(made))
    assert finding.where == "/DRIVERS"
    assert (finding.found, finding.expected) == ("'DRIVERS'", "'DRIVECS'")
