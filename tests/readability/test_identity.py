"""What a disc says of itself: dates, ways to boot, scripts, installers, its place in a set."""

from __future__ import annotations

from pathlib import Path

import pytest

from make_image import Boot, make_iso, put
from mediashelf.formats.disc_summary import BOOT_WORDS
from mediashelf.formats.volume import BootEntry, BootFacts, DiscFacts, VolumeKind
from mediashelf.image import open_image
from mediashelf.readability.identity.installers import MARKS, iter_installers
from mediashelf.readability.identity.summary import summarise


def facts_of(folder: Path, data: bytes) -> DiscFacts:
    path = folder / "disc.iso"
    path.write_bytes(data)
    with open_image(path) as image:
        return image.facts


def test_dates_and_application(tmp_path: Path) -> None:
    made = make_iso({"README.TXT": b"x"}, joliet=3)
    data = put(made.data, 16 * 2048 + 574, b"TIDE AUTHORING".ljust(128))  # 8.4.23
    data = put(data, 16 * 2048 + 864, b"2001020304050600\x00")  # effective, ECMA-119 8.4.29
    summary = summarise(facts_of(tmp_path, data))
    assert summary.created.startswith("1999-06-01")
    assert summary.effective.startswith("2001-02-03T04:05:06")
    assert summary.application == "TIDE AUTHORING"
    assert summary.boot == ()


@pytest.mark.parametrize(
    ("platform", "media", "word"),
    [
        (0, 0, "BIOS"),
        (0, 1, "BIOS floppy"),
        (0, 2, "BIOS floppy"),
        (0, 3, "BIOS floppy"),
        (0, 4, "BIOS hard disk"),
        (1, 0, "BIOS"),
        (0xEF, 0, "UEFI"),
    ],
)
def test_each_way_to_boot(platform: int, media: int, word: str) -> None:
    entry = BootEntry(platform, True, media, 0, 0, 4, 30, 2048)
    boot = BootFacts(20, "", True, (entry,))
    assert summarise(DiscFacts(1 << 20, boot=boot)).boot == (word,)
    assert word in BOOT_WORDS


def test_what_is_marked_not_bootable_does_not_count() -> None:
    entry = BootEntry(0, False, 0, 0, 0, 4, 30, 2048)
    assert summarise(DiscFacts(1 << 20, boot=BootFacts(20, "", True, (entry,)))).boot == ()


def test_a_hybrid_image_with_two_ways(tmp_path: Path) -> None:
    boot = Boot(b"\0" * 2048, sections=[(0xEF, [b"\1" * 2048])])
    data = make_iso({"README.TXT": b"x"}, boot=boot, pad_sectors=300).data
    assert summarise(facts_of(tmp_path, data)).boot == ("BIOS", "UEFI")
    entry = bytes([0x80, 0, 0, 0, 0x17, 0, 0, 0]) + (1).to_bytes(4, "little") + bytes([99, 0, 0, 0])
    data = put(put(data, 446, entry), 510, b"\x55\xaa")
    summary = summarise(facts_of(tmp_path, data))
    assert summary.boot == ("BIOS", "UEFI", "hybrid")


def test_scripts_of_names(tmp_path: Path) -> None:
    names = {"A.TXT": "Přílivy.txt", "B.TXT": "Приливы.txt", "C.TXT": "Отливы.txt"}
    data = make_iso(dict.fromkeys(names, b"x"), joliet=3, long_names=names).data
    assert summarise(facts_of(tmp_path, data)).scripts == ("Cyrillic", "Latin with accents")


MARKED = {
    "dos": {"DISK1/SETUP.EXE": b"", "DISK1/DOSSETUP.INI": b""},
    "win9x": {"KIOSK/SETUP.EXE": b"", "KIOSK/PRECOPY1.CAB": b""},
    "nt4": {"I386/WINNT.EXE": b"", "I386/TXTSETUP.SIF": b""},
    "nt5": {"I386/WINNT.EXE": b"", "I386/TXTSETUP.SIF": b"", "I386/DRIVER.CAB": b""},
    "nt6": {"SOURCES/BOOT.WIM": b"", "SOURCES/SETUP.EXE": b""},
}


@pytest.mark.parametrize("family", MARKED)
def test_each_mark_and_what_is_nearly_one(family: str, tmp_path: Path) -> None:
    files = MARKED[family]
    assert summarise(facts_of(tmp_path, make_iso(files).data)).installers == (family,)
    apart = {f"{number}/{path}": data for number, (path, data) in enumerate(files.items())}
    assert summarise(facts_of(tmp_path, make_iso(apart).data)).installers == ()


def test_every_mark_says_what_it_rests_on() -> None:
    assert {mark.family for mark in MARKS} == MARKED.keys()
    assert all(mark.source in ("common practice", "from memory") for mark in MARKS)


def test_two_installers_on_one_disc(tmp_path: Path) -> None:
    data = make_iso({**MARKED["win9x"], **MARKED["nt4"]}, joliet=3).data
    found = list(iter_installers(facts_of(tmp_path, data)))
    assert [(each.family, each.folder) for each in found] == [("win9x", "/KIOSK"), ("nt4", "/I386")]


def test_a_place_in_a_set_is_the_descriptors_word(tmp_path: Path) -> None:
    made = make_iso({"README.TXT": b"x"})
    alone = summarise(facts_of(tmp_path, made.data))
    assert (alone.set_number, alone.set_size) == (0, 0)
    # ECMA-119 8.4.9 and 8.4.10: volume set size at 120, volume sequence number at 124.
    data = put(made.data, 16 * 2048 + 120, bytes([3, 0, 0, 3, 2, 0, 0, 2]))
    data = put(data, 16 * 2048 + 190, b"KIOSK SET".ljust(128))
    facts = facts_of(tmp_path, data)
    volume = facts.volume(VolumeKind.ISO9660)
    assert volume is not None
    assert (volume.set_number, volume.set_size) == (2, 3)
    summary = summarise(facts)
    assert (summary.set_name, summary.set_number, summary.set_size) == ("KIOSK SET", 2, 3)


@pytest.mark.parametrize(
    "place", [b"00000000", bytes([3, 0, 0, 3, 4, 0, 0, 4]), b"\x03\0\0\x03\0\0\0\0"]
)
def test_numbers_that_make_no_set_are_not_a_place_in_one(place: bytes, tmp_path: Path) -> None:
    """Disc 12,336 of 12,336 is a descriptor full of digits; 4 of 3 and 0 of 3 contradict 8.4.10."""
    data = put(make_iso({"README.TXT": b"x"}).data, 16 * 2048 + 120, place)
    summary = summarise(facts_of(tmp_path, data))
    assert (summary.set_name, summary.set_number, summary.set_size) == ("", 0, 0)
