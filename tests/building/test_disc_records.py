"""The bytes of what a disc is made of, against the standards and against pycdlib."""

from __future__ import annotations

import struct
from datetime import datetime
from pathlib import Path

import pytest
from build_trees import write_tree

from mediashelf.building import records
from mediashelf.building.plan import DiscPlan, plan_disc
from mediashelf.building.recipe import recipe_from_folders
from mediashelf.building.write import build_disc
from mediashelf.formats.volume import VolumeKind


@pytest.fixture
def disc(tmp_path: Path) -> tuple[DiscPlan, bytes]:
    files = {"README.TXT": b"read me", "drivers/Larkspur.inf": b"[Version]"}
    plan = plan_disc(recipe_from_folders([write_tree(tmp_path / "top", files)], label="Kiosk"))
    build_disc(plan, tmp_path / "disc.iso")
    return plan, (tmp_path / "disc.iso").read_bytes()


def test_numbers_in_both_byte_orders() -> None:
    """The examples printed in ECMA-119, 7.2.3 and 7.3.3."""
    assert records.both_16(0x1234) == bytes.fromhex("34 12 12 34")
    assert records.both_32(0x12345678) == bytes.fromhex("78 56 34 12 12 34 56 78")


def test_a_directory_record() -> None:
    """ECMA-119 9.1, field by field; a name of even length is followed by a pad byte."""
    date = records.record_date(929_181_600)
    record = records.directory_record(b"NAME.A;1", 0x11223344, 0x55667788, date, 0)
    assert (
        record
        == bytes.fromhex(
            "2a"  # length of the record: 33 + 8 + 1
            "00"  # extended attribute record length
            "44332211 11223344"  # extent
            "88776655 55667788"  # data length
            "63 06 0c 0a 00 00 00"  # 12 June 1999, 10:00:00, UTC
            "00"  # flags
            "00 00"  # file unit size, interleave gap size
            "0100 0001"  # volume sequence number
            "08"  # length of the identifier
        )
        + b"NAME.A;1"
        + b"\0"
    )
    assert len(records.directory_record(b"ODD", 0, 0, date, 2)) == 36


def test_dates_beyond_what_a_record_holds_are_held_to_its_ends() -> None:
    """ECMA-119 9.1.5: one byte of years since 1900."""
    assert records.record_date(-5_000_000_000) == bytes([0, 1, 1, 0, 0, 0, 0])
    assert records.record_date(7_000_000_000) == bytes([255, 12, 31, 23, 59, 59, 0])


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
    tree = plan.layout.iso
    little = data[tree.path_table_l * 2048 :][: tree.path_table_size]
    big = data[tree.path_table_m * 2048 :][: tree.path_table_size]
    root, drivers = (directory.lba for directory in tree.directories)
    assert little == struct.pack("<BBIH2s", 1, 0, root, 1, b"\0\0") + struct.pack(
        "<BBIH8s", 7, 0, drivers, 1, b"DRIVERS\0"
    )
    assert big == struct.pack(">BBIH2s", 1, 0, root, 1, b"\0\0") + struct.pack(
        ">BBIH8s", 7, 0, drivers, 1, b"DRIVERS\0"
    )


def test_no_record_crosses_a_sector(tmp_path: Path) -> None:
    """ECMA-119 6.8.1.1; the rest of a sector is zero."""
    top = write_tree(tmp_path / "top", {f"{n:03d} {'name ' * 11}.txt": b"" for n in range(90)})
    plan = plan_disc(recipe_from_folders([top]))
    for volume, tree in zip(plan.facts.volumes, (plan.layout.iso, plan.layout.joliet), strict=True):
        data = records.directory_sectors(tree.root)
        assert len(data) == tree.root.size > 2048
        seen = 0
        for sector in (data[at : at + 2048] for at in range(0, len(data), 2048)):
            at = 0
            while at < 2048 and sector[at]:
                at += sector[at]
                seen += 1
            assert at <= 2048
            assert not any(sector[at:])
        assert seen == 2 + len(volume.entries)


def test_records_are_those_that_pycdlib_writes(tmp_path: Path) -> None:
    """The same tree through another writer: equal records but for places and dates."""
    pycdlib = pytest.importorskip("pycdlib")
    top = write_tree(tmp_path / "top", {"README.TXT": b"read me", "DRIVERS/VIDEO.SYS": b"v" * 3000})
    plan = plan_disc(recipe_from_folders([top], index=False))
    build_disc(plan, tmp_path / "ours.iso")
    iso = pycdlib.PyCdlib()
    iso.new(joliet=3, vol_ident="top")
    iso.add_directory("/DRIVERS", joliet_path="/DRIVERS")
    iso.add_file(str(top / "README.TXT"), "/README.TXT;1", joliet_path="/README.TXT")
    iso.add_file(
        str(top / "DRIVERS/VIDEO.SYS"), "/DRIVERS/VIDEO.SYS;1", joliet_path="/DRIVERS/VIDEO.SYS"
    )
    iso.write(str(tmp_path / "theirs.iso"))
    iso.close()

    def parts(path: Path) -> list[tuple[object, ...]]:
        found = []
        opened = pycdlib.PyCdlib()
        opened.open(str(path))
        for key in ("iso_path", "joliet_path"):
            for place in ("/", "/DRIVERS"):
                for child in opened.list_children(**{key: place}):
                    raw = bytearray(child.record())
                    raw[2:10] = bytes(8)  # place
                    raw[18:25] = bytes(7)  # date
                    found.append((key, place, bytes(raw)))
        opened.close()
        return found

    assert parts(tmp_path / "ours.iso") == parts(tmp_path / "theirs.iso")
    assert plan.facts.volume(VolumeKind.JOLIET) is not None
