"""What fits on a card: room, files by kind of file system, names."""

from __future__ import annotations

import os
import sys
from itertools import islice
from pathlib import Path
from types import SimpleNamespace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from mediashelf.findings import Severity
from mediashelf.sessions.card_space import (
    CARD_KINDS,
    SPARE_SIZE,
    CardFacts,
    check_card_is_planned,
    check_card_kind,
    check_card_names,
    check_card_room,
    copying_seconds,
    kind_named,
    read_card,
)
from mediashelf.sessions.cards.names import CardNames, disc_names
from mediashelf.sessions.cards.records import CardRecords
from mediashelf.sessions.manifests.parts import CardFile, FileDigests
from mediashelf.sessions.mounts import mount_of

GIB = 1 << 30


@pytest.mark.parametrize("name", ["fat16", "fat32"])
def test_fat_takes_no_file_of_four_gibibytes(name: str) -> None:
    kind = kind_named(name)
    assert kind is not None
    assert not list(check_card_kind(kind, [("01-A.iso", 4 * GIB - 1)], is_planned=True))
    (finding,) = check_card_kind(kind, [("01-A.iso", 4 * GIB)], is_planned=True)
    assert (finding.rule, finding.where) == ("card-holds-file", "01-A.iso")
    assert "the plan's card is" in finding.message


def test_other_kinds_take_whatever_the_emulator_takes() -> None:
    for kind in CARD_KINDS:
        if not kind.name.startswith("fat"):
            assert not list(check_card_kind(kind, [("01-A.iso", 900 * GIB)], is_planned=False))
    assert kind_named("zzz") is None


@pytest.mark.skipif(not hasattr(os, "statvfs"), reason="needs POSIX")
@pytest.mark.parametrize(
    ("fragment", "block", "unit"), [(4096, 32768, 4096), (0, 8192, 8192), (0, 0, 512)]
)
def test_the_unit_of_a_card_is_what_the_system_counts_in(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, fragment: int, block: int, unit: int
) -> None:
    """POSIX statvfs: f_blocks counts units of f_frsize; the rest is own behaviour."""
    said = SimpleNamespace(f_frsize=fragment, f_bsize=block, f_blocks=10, f_bavail=4)
    monkeypatch.setattr("mediashelf.sessions.card_space.os.statvfs", lambda _: said)
    card = read_card(tmp_path)
    assert (card.unit, card.size, card.free) == (unit, 10 * unit, 4 * unit)
    assert card.room_for(unit + 1) == 2 * unit


def test_a_folder_on_another_file_system_than_planned_is_noticed() -> None:
    def rules(planned: str, kind: str, type_name: str) -> list[tuple[str, Severity]]:
        facts = CardFacts(kind_named(kind), type_name, 0, 0, 512)
        found = check_card_is_planned(facts, kind_named(planned))
        return [(one.rule, one.severity) for one in found]

    told = [("card-is-as-planned", Severity.NOTE)]
    assert rules("fat32", "ext4", "ext4") == rules("exfat", "", "overlay") == told
    assert rules("fat32", "fat32", "vfat") == rules("fat16", "fat32", "vfat") == []
    assert rules("", "ext4", "ext4") == rules("fat32", "", "") == []
    # What Linux calls NTFS by ntfs-3g and exFAT by exfat-fuse (seen on 6.18) tells nothing.
    assert rules("ntfs", "", "fuseblk") == rules("exfat", "", "fuse") == []


def test_a_card_without_long_names_is_refused() -> None:
    def rules(type_name: str) -> list[tuple[str, Severity]]:
        found = check_card_names(CardFacts(None, type_name, 0, 0, 512))
        return [(one.rule, one.severity) for one in found]

    assert rules("msdos") == [("card-holds-names", Severity.ERROR)]
    assert rules("vfat") == rules("") == []


def test_every_limit_has_a_source() -> None:
    assert all(kind.source for kind in CARD_KINDS if kind.max_file_size is not None)


def test_room_is_counted_with_some_to_spare() -> None:
    facts = CardFacts(None, "", 8 * GIB, 1 * GIB, 4096)
    fits = GIB - SPARE_SIZE
    assert not list(check_card_room(fits, facts, planned_size=None, total=fits))
    (finding,) = check_card_room(fits + 1, facts, planned_size=None, total=fits + 1)
    assert finding.rule == "card-has-room"
    assert not list(check_card_room(0, facts, planned_size=GIB, total=fits))
    (finding,) = check_card_room(0, facts, planned_size=GIB, total=fits + 1)
    assert (finding.rule, finding.severity) == ("planned-card-is-large-enough", Severity.ERROR)
    assert (finding.found, finding.expected) == (str(GIB), f"at least {GIB + 1}")


def test_a_driver_that_does_not_tell_of_its_room_blocks_nothing() -> None:
    """Own behaviour: fusefat 0.1 says 0 of 0 blocks, and each session was blocked."""
    facts = CardFacts(None, "fuse.fusefat", 0, 0, 4096)
    assert not list(check_card_room(GIB, facts, planned_size=None, total=GIB))
    full = CardFacts(None, "ext4", GIB, 0, 4096)
    (finding,) = check_card_room(1, full, planned_size=None, total=1)
    assert finding.rule == "card-has-room"


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="/proc is Linux's")
def test_a_mount_is_known_where_files_have_another_device_number(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """On btrfs a subvolume's files have a number that mountinfo has not (btrfs-subvolume(8))."""
    known = mount_of(tmp_path)
    assert known.type_name
    monkeypatch.setattr(Path, "stat", lambda path: SimpleNamespace(st_dev=os.makedev(4000, 77)))
    assert mount_of(tmp_path) == known


def test_files_take_whole_units() -> None:
    facts = CardFacts(None, "", 0, 0, 32768)
    assert [facts.room_for(size) for size in (0, 1, 32768, 32769)] == [0, 32768, 32768, 65536]


def test_a_folder_is_looked_at(tmp_path: Path) -> None:
    facts = read_card(tmp_path)
    assert facts.size >= facts.free > 0
    assert facts.unit > 0


def test_the_estimate_grows_with_the_bytes() -> None:
    assert copying_seconds(0) == 0
    assert copying_seconds(10 << 20) == 2
    assert copying_seconds(600 << 20) == 90


@pytest.mark.parametrize(
    ("label", "name"),
    [
        ("KIOSK_SYSTEM", "03-K7C-KIOSK-SYSTEM.iso"),
        ("Slides 1999", "03-K7C-SLIDES-1999.iso"),
        ("Überblick, größer", "03-K7C-UBERBLICK-GROSSER.iso"),
        ("港の潮汐表", "03-K7C-DISC.iso"),
        ("", "03-K7C-DISC.iso"),
        ("../../etc/passwd", "03-K7C-ETC-PASSWD.iso"),
        ("CON", "03-K7C-CON.iso"),
        ("a" * 100, f"03-K7C-{'A' * 24}.iso"),
        ("x" * 23 + "_Y", f"03-K7C-{'X' * 23}.iso"),
        ("kiosk-system.iso", "03-K7C-KIOSK-SYSTEM.iso"),
        ("driver-disc.toml", "03-K7C-DRIVER-DISC.iso"),
        ("harbour-sounds.CUE", "03-K7C-HARBOUR-SOUNDS.iso"),
    ],
)
def test_names_are_plain(label: str, name: str) -> None:
    assert next(disc_names(3, "K7C", label)) == name


@settings(derandomize=True, deadline=None)
@given(st.text(max_size=80), st.integers(1, 99))
def test_any_label_gives_names_that_every_card_holds(label: str, position: int) -> None:
    names = list(islice(disc_names(position, "K7C", label), 3))
    assert len(set(names)) == 3
    for name in names:
        assert name.isascii()
        assert set(name) <= set("ABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789-.iso")
        assert name[:7] == f"{position:02d}-K7C-"
        assert len(name) <= 40


def test_taken_names_are_passed_over_without_regard_to_case(tmp_path: Path) -> None:
    for name in ("01-k7c-a.ISO", "01-K7C-A-2.iso", "01-K7C-A-3.iso"):
        (tmp_path / name).write_bytes(b"xx")
    ours = CardFile("01-K7C-A-3.iso", 2, FileDigests("a" * 32, "b" * 64))
    names = CardNames(tmp_path, CardRecords(None, (ours,)))
    assert names.take(disc_names(1, "K7C", "a")) == "01-K7C-A-3.iso"
    assert names.take(disc_names(1, "K7C", "a")) == "01-K7C-A-4.iso"
