"""The bytes of what a disc is made of, against the standards."""

from __future__ import annotations

import random
import struct
from datetime import datetime
from pathlib import Path

import pytest

from build_trees import write_tree
from mediashelf.building.planning.disc_plan import DiscPlan, plan_disc
from mediashelf.building.recipes.source_names import recipe_from_folders
from mediashelf.building.sources.clock import record_date
from mediashelf.building.writing.write import build_disc
from outside_readers import libarchive_tree


@pytest.fixture
def disc(tmp_path: Path) -> tuple[DiscPlan, bytes]:
    files = {"README.TXT": b"read me", "drivers/Larkspur.inf": b"[Version]"}
    plan = plan_disc(recipe_from_folders([write_tree(tmp_path / "top", files)], label="Kiosk"))
    build_disc(plan, tmp_path / "disc.iso")
    return plan, (tmp_path / "disc.iso").read_bytes()


def test_a_directory_record(disc: tuple[DiscPlan, bytes]) -> None:
    """ECMA-119 9.1, field by field; a name of even length is followed by a pad byte."""
    plan, data = disc
    root = plan.layout.iso[0]
    sector = data[root.lba * 2048 :][:2048]
    at = sector.index(b"README.TXT;1") - 33
    content = next(c for c in plan.layout.contents if c.path.endswith("README.TXT"))
    assert sector[at : at + 46] == (
        bytes([46, 0])  # length of the record, extended attribute record length
        + struct.pack("<I", content.lba)  # extent, in both byte orders (7.3.3)
        + struct.pack(">I", content.lba)
        + struct.pack("<I", 7)
        + struct.pack(">I", 7)
        + bytes.fromhex("63 06 0c 0a 00 00 00")  # 12 June 1999, 10:00:00, UTC (9.1.5)
        + bytes(3)  # flags, file unit size, interleave gap size
        + bytes.fromhex("01000001")  # volume sequence number, in both byte orders (7.2.3)
        + bytes([12])
        + b"README.TXT;1"
        + b"\0"
    )


def test_dates_beyond_what_a_record_holds_are_held_to_its_ends() -> None:
    """ECMA-119 9.1.5: one byte of years since 1900."""
    assert record_date(-5_000_000_000) == bytes([0, 1, 1, 0, 0, 0, 0])
    assert record_date(7_000_000_000) == bytes([255, 12, 31, 23, 59, 59, 0])


def test_the_primary_volume_descriptor(disc: tuple[DiscPlan, bytes]) -> None:
    """ECMA-119 8.4, by the offsets of that clause."""
    plan, data = disc
    primary = data[16 * 2048 : 17 * 2048]
    assert primary[:8] == b"\x01CD001\x01\x00"
    assert primary[8:40] == b" " * 32
    assert primary[40:72] == b"KIOSK".ljust(32)
    assert struct.unpack("<I", primary[80:84])[0] == len(data) // 2048
    assert primary[120:132] == bytes.fromhex("01000001 01000001 00080800")
    assert primary[574:702] == b"MEDIASHELF".ljust(128)
    assert primary[813:830] == primary[830:847] == b"1999061210000000\x00"
    assert primary[847:864] == primary[864:881] == b"0000000000000000\x00"
    assert primary[881] == 1
    assert primary[1395:] == bytes(653)
    assert plan.made == datetime.fromisoformat("1999-06-12T10:00:00+00:00")


def test_the_joliet_volume_descriptor(disc: tuple[DiscPlan, bytes]) -> None:
    """Joliet, SVD Escape Sequences Field (level 3: %/E) and SVD Volume Flags Field (zero)."""
    _, data = disc
    joliet = data[17 * 2048 : 18 * 2048]
    assert joliet[:8] == b"\x02CD001\x01\x00"
    assert joliet[40:72] == "Kiosk".ljust(16).encode("utf-16-be")
    assert joliet[88:120] == b"%/E".ljust(32, b"\0")
    assert data[18 * 2048 : 19 * 2048] == b"\xffCD001\x01".ljust(2048, b"\0")


def test_path_tables(disc: tuple[DiscPlan, bytes]) -> None:
    """ECMA-119 9.4: root, then the one directory; type L and type M differ in byte order only."""
    plan, data = disc
    primary = data[16 * 2048 : 17 * 2048]
    size = struct.unpack("<I", primary[132:136])[0]
    little = data[struct.unpack("<I", primary[140:144])[0] * 2048 :][:size]
    big = data[struct.unpack(">I", primary[148:152])[0] * 2048 :][:size]
    root, drivers = (directory.lba for directory in plan.layout.iso)
    for table, order in ((little, "<"), (big, ">")):
        assert table == struct.pack(f"{order}BBIH2s", 1, 0, root, 1, b"\0\0") + struct.pack(
            f"{order}BBIH8s", 7, 0, drivers, 1, b"DRIVERS\0"
        )


def test_no_record_crosses_a_sector(tmp_path: Path) -> None:
    """ECMA-119 6.8.1.1; the rest of a sector is zero."""
    top = write_tree(tmp_path / "top", {f"{n:03d} {'name ' * 11}.txt": b"" for n in range(90)})
    plan = plan_disc(recipe_from_folders([top]))
    build_disc(plan, tmp_path / "disc.iso")
    disc = (tmp_path / "disc.iso").read_bytes()
    for volume, root in zip(
        plan.facts.volumes, (plan.layout.iso[0], plan.layout.joliet[0]), strict=True
    ):
        data = disc[root.lba * 2048 :][: root.size]
        assert root.size > 2048
        seen = 0
        for sector in (data[at : at + 2048] for at in range(0, len(data), 2048)):
            at = 0
            while at < 2048 and sector[at]:
                at += sector[at]
                seen += 1
            assert at <= 2048
            assert not any(sector[at:])
        assert seen == 2 + len(volume.entries)


# Seeds of names that take one sector less, and one more, in the standard's order than in
# the order of their bytes.
@pytest.mark.parametrize("seed", [5298, 11251])
def test_putting_records_in_order_may_change_the_sectors_they_take(
    tmp_path: Path, seed: int
) -> None:
    """Places are foretold for the final order, while pycdlib packs by the order of bytes."""

    def packed(identifiers: list[bytes]) -> int:
        sectors, used = 1, 68
        for size in ((33 + len(identifier) + 1) & ~1 for identifier in identifiers):
            sectors, used = (sectors + 1, size) if used + size > 2048 else (sectors, used + size)
        return 2048 * sectors

    source = random.Random(seed)
    files: dict[str, bytes] = {}
    for number in range(source.randrange(20, 50)):
        base = "".join(source.choices("AB", k=source.randrange(1, 6))) + f"{number:02d}"
        for end in source.sample(["", ".1", ".1AB", ".1A", ".A"], source.randrange(1, 4)):
            files[base + end] = b"x"
    top = write_tree(tmp_path / "top", files)
    plan = plan_disc(recipe_from_folders([top], index=False))
    root = plan.layout.iso[0]
    identifiers = root.identifiers()
    assert root.size == packed(identifiers)
    assert root.size != packed(sorted(identifiers))
    build_disc(plan, tmp_path / "disc.iso")
    assert len(libarchive_tree(tmp_path / "disc.iso", joliet=False)) == len(files)
