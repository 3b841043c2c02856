"""What two discs say of themselves: each thing that differs is told once, with both values."""

from __future__ import annotations

from pathlib import Path

import pytest

from byte_views import BytesView
from make_image import SECTOR, Boot, MadeImage, flip, make_iso, put
from make_raw import mode_1_image
from mediashelf.integrity.comparing.discs import compare_sectors, fact_differences
from mediashelf.integrity.comparing.values import FactDifference, SectorsAlike, SectorsCompared
from mediashelf.trees.disc import DiscTree
from mediashelf.trees.opening import open_tree

FILES = {"A.TXT": b"a" * 3000, "B.TXT": b"b"}
CODE = b"\xeb\xfe" + b"\x90" * 3 * SECTOR
BOOT = make_iso(FILES, boot=Boot(CODE, sectors=8, sections=[(0xEF, [CODE])]))


def told(folder: Path, one: MadeImage | bytes, other: MadeImage | bytes) -> list[FactDifference]:
    paths = []
    for name, made in (("one.iso", one), ("other.iso", other)):
        path = folder / name
        path.write_bytes(made if isinstance(made, bytes) else made.data)
        paths.append(path)
    with open_tree(paths[0]) as first, open_tree(paths[1]) as second:
        assert isinstance(first, DiscTree)
        assert isinstance(second, DiscTree)
        return list(fact_differences(first, second))


def test_equal_discs_say_the_same(tmp_path: Path) -> None:
    assert told(tmp_path, BOOT, BOOT) == []


def test_a_label_is_told_once_for_both_trees(tmp_path: Path) -> None:
    one, other = (make_iso(FILES, joliet=True, label=label) for label in ("TIDE", "EBB"))
    assert told(tmp_path, one, other) == [FactDifference("label (ISO 9660, Joliet)", "TIDE", "EBB")]


def test_a_tree_that_one_disc_lacks_is_told(tmp_path: Path) -> None:
    plain, both = make_iso(FILES), make_iso(FILES, joliet=True)
    names = [one.name for one in told(tmp_path, plain, both)]
    assert names == ["Joliet tree", "size"]
    (joliet,) = (one for one in told(tmp_path, plain, both) if one.name == "Joliet tree")
    assert (joliet.first, joliet.second, joliet.counts) == ("", "2 files and folders", True)


def test_days_and_makers_are_told_and_do_not_count(tmp_path: Path) -> None:
    """ECMA-119 8.4: volume creation date at 813, application identifier at 574."""
    made = make_iso(FILES)
    start = 16 * SECTOR
    dated = put(made.data, start + 813, b"2001020304050600\0")
    signed = put(dated, start + 574, b"HARBOUR TOOL".ljust(128))
    found = {one.name: (one.second, one.counts) for one in told(tmp_path, made, signed)}
    assert found == {
        "created (ISO 9660)": ("2001-02-03T04:05:06+00:00", False),
        "application (ISO 9660)": ("HARBOUR TOOL", False),
    }


@pytest.mark.parametrize(
    ("boot", "words"),
    [
        (None, ""),
        (Boot(CODE, sectors=9), "platform 0x00, no emulation, 9 sectors"),
        (Boot(CODE, sectors=1, platform=0xEF), "platform 0xef, no emulation, 1 sector"),
        (Boot(bytes(1_474_560), media=2, sectors=1), "platform 0x00, 1.44 MB floppy, 1 sector"),
    ],
)
def test_a_boot_catalog_that_says_something_else(
    boot: Boot | None, words: str, tmp_path: Path
) -> None:
    one, other = make_iso(FILES, boot=Boot(CODE, sectors=8)), make_iso(FILES, boot=boot)
    first = "platform 0x00, no emulation, 8 sectors"
    assert FactDifference("boot", first, words) in told(tmp_path, one, other)
    assert FactDifference("boot", words, first) in told(tmp_path, other, one)


def test_an_entry_that_does_not_boot_is_told(tmp_path: Path) -> None:
    at = BOOT.at("boot-catalog") + 32  # El Torito 1.0, figure 3: 0x88 boots, 0x00 does not
    (found,) = told(tmp_path, BOOT, put(BOOT.data, at, b"\0"))
    assert found.name == "boot"
    assert found.second.startswith(found.first.partition(";")[0] + ", not bootable; ")


@pytest.mark.parametrize("at", [0, 2048, 4095])
def test_a_boot_image_of_other_bytes_is_told_with_the_place(at: int, tmp_path: Path) -> None:
    changed = flip(BOOT.data, BOOT.at("boot-image") + at)
    assert told(tmp_path, BOOT, changed) == [
        FactDifference("boot image 1", "4,096 bytes", f"4,096 bytes, different from byte {at:,} on")
    ]


def test_bytes_after_what_is_loaded_are_not_of_the_boot_image(tmp_path: Path) -> None:
    assert told(tmp_path, BOOT, flip(BOOT.data, BOOT.at("boot-image") + 4096)) == []


def test_a_raw_form_and_added_zeros_are_told_and_do_not_count(tmp_path: Path) -> None:
    raw = told(tmp_path, BOOT, mode_1_image(BOOT.data))
    assert {one.name for one in raw} >= {"size", "sectors"}
    assert FactDifference("sectors", "2,048 bytes a sector", "raw sectors", counts=False) in raw
    (size,) = told(tmp_path, BOOT, BOOT.data + bytes(SECTOR))
    assert (size.name, size.counts) == ("size", False)
    assert size.second.endswith(f" ({len(BOOT.data) + SECTOR:,} bytes)")


def test_sessions_are_counted(tmp_path: Path) -> None:
    first = make_iso(FILES).data
    second = make_iso(FILES, after=first).data
    assert FactDifference("sessions", "1", "2") in told(tmp_path, first, second)


@pytest.mark.parametrize(
    ("one", "other", "state", "at"),
    [
        (b"abc" * 100, b"abc" * 100, SectorsAlike.EQUAL, None),
        (b"abcd" * 100, b"abcd" * 99 + b"abcx", SectorsAlike.DIFFERENT, 399),
        (b"tide", b"tide" + bytes(5), SectorsAlike.ZEROS_AFTER, 4),
        (b"tide", b"tide" + bytes(5) + b"x", SectorsAlike.DIFFERENT, 9),
        (b"tide", b"tide" + bytes(2 << 20) + b"x", SectorsAlike.DIFFERENT, 4 + (2 << 20)),
        (bytes(1 << 20) + b"a", bytes(1 << 20) + b"b", SectorsAlike.DIFFERENT, 1 << 20),
    ],
)
def test_sectors_are_compared_up_to_the_first_that_differs(
    one: bytes, other: bytes, state: SectorsAlike, at: int | None
) -> None:
    for first, second in ((one, other), (other, one)):
        counted: list[int] = []
        found = compare_sectors(BytesView(first), BytesView(second), on_bytes=counted.append)
        assert found == SectorsCompared(state, at)
        assert sum(counted) <= len(first) + len(second)
    if state is SectorsAlike.EQUAL:
        assert sum(counted) == len(one) + len(other)
