"""pycdlib as the second reader of each new disc, and writers that lie to it."""

from __future__ import annotations

import random
import struct
from collections.abc import Callable
from pathlib import Path

import pytest

from build_trees import write_tree
from mediashelf.building.planning.disc_plan import DiscPlan, plan_disc
from mediashelf.building.recipes.recipe import BootImage
from mediashelf.building.recipes.source_names import recipe_from_folders
from mediashelf.building.writing import write
from mediashelf.building.writing.witness import hear_witness
from mediashelf.building.writing.write import build_disc
from mediashelf.errors import BuildError

FILES = {
    "README.TXT": b"read me",
    "Larkspur video/Larkspur display driver.inf": b"[Version]" * 300,
    "empty.txt": b"",
    "nothing here/": b"",
}


@pytest.fixture
def plan(tmp_path: Path) -> DiscPlan:
    boot = tmp_path / "loader.bin"
    boot.write_bytes(random.Random(3).randbytes(5000))
    top = write_tree(tmp_path / "top", FILES)
    return plan_disc(recipe_from_folders([top], label="Kiosk", boot=BootImage(boot)))


def both(number: int) -> bytes:
    return struct.pack("<I", number) + struct.pack(">I", number)


def record_at(plan: DiscPlan, data: bytearray, identifier: bytes) -> int:
    """Return where the first directory record of this identifier begins."""
    start = plan.layout.iso[0].lba * 2048
    return data.index(bytes([len(identifier)]) + identifier, start) - 32


def patch(identifier: bytes, offset: int, new: bytes) -> Callable[[DiscPlan, bytearray], None]:
    def lie(plan: DiscPlan, data: bytearray) -> None:
        at = record_at(plan, data, identifier) + offset
        assert data[at : at + len(new)] != new
        data[at : at + len(new)] = new

    return lie


def at_offset(offset: int, new: bytes) -> Callable[[DiscPlan, bytearray], None]:
    def lie(plan: DiscPlan, data: bytearray) -> None:
        assert data[offset : offset + len(new)] != new
        data[offset : offset + len(new)] = new

    return lie


def in_catalog(offset: int, new: bytes) -> Callable[[DiscPlan, bytearray], None]:
    def lie(plan: DiscPlan, data: bytearray) -> None:
        assert plan.catalog is not None
        at_offset(plan.catalog.own.lba * 2048 + offset, new)(plan, data)

    return lie


def leave_out_the_last_record(plan: DiscPlan, data: bytearray) -> None:
    directory = plan.layout.joliet[-2]  # it holds one file
    assert directory.names == ["Larkspur display driver.inf"]
    at = directory.lba * 2048 + 68
    data[at : at + data[at]] = bytes(data[at])


def no_joliet_tree(plan: DiscPlan, data: bytearray) -> None:
    at = 18 * 2048 + 88
    assert data[at : at + 3] == b"%/E"
    data[at : at + 3] = bytes(3)


# Offsets of directory records are those of ECMA-119 9.1, of descriptors those of 8.4.
LIES = {
    "short name": (patch(b"README.TXT;1", 33, b"S"), r"/README\.TXT of the ISO tree is missing"),
    "long name": (
        patch("README.TXT".encode("utf-16-be"), 34, b"Q"),
        r"/README\.TXT of the Joliet tree is missing",
    ),
    "place": (patch(b"README.TXT;1", 2, both(100)), r"README\.TXT .* \(LBA 100, 7 bytes"),
    "size": (
        patch(b"README.TXT;1", 10, both(8)),
        r"README\.TXT .*, 8 bytes, .*expected .* 7 bytes",
    ),
    "date": (patch(b"README.TXT;1", 20, b"\x0d"), r"date 63060d0a000000\), expected .*63060c"),
    "kind": (patch(b"EMPTY.TXT;1", 25, b"\2"), r"pycdlib, the second reader"),
    "record": (leave_out_the_last_record, "holds 0 entries, expected 1"),
    "no Joliet": (no_joliet_tree, "no Joliet tree"),
    "short label": (at_offset(16 * 2048 + 40, b"L"), "'LIOSK'"),
    "long label": (at_offset(18 * 2048 + 41, b"L"), "'Liosk'"),
    "volume size": (at_offset(16 * 2048 + 80, both(299)), "299 sectors, expected 'KIOSK' with 300"),
    "one byte order": (at_offset(16 * 2048 + 80, b"\0"), "cannot read the disc"),
    "boots": (in_catalog(32, b"\0"), "indicator 0x0, .*expected 0x88"),
    "media type": (in_catalog(33, b"\2"), "pycdlib, the second reader"),
    "sectors to load": (in_catalog(38, b"\5"), "5 sectors to load"),
    "boot image": (in_catalog(40, b"\1"), "from LBA 1, expected"),
}


@pytest.mark.parametrize("name", LIES)
def test_a_writer_that_lies_is_found_out_by_the_second_reader_alone(
    name: str, plan: DiscPlan, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With our own reader put out of action; nothing is left behind."""
    lie, said = LIES[name]

    class LyingWriter(write.DiscWriter):
        def write(self, path: Path) -> None:
            super().write(path)
            data = bytearray(path.read_bytes())
            lie(plan, data)
            path.write_bytes(data)

    monkeypatch.setattr(write, "read_back_disc", lambda plan, path, **rest: None)
    before = sorted(path.name for path in tmp_path.iterdir())
    with monkeypatch.context() as patched:
        patched.setattr(write, "DiscWriter", LyingWriter)
        with pytest.raises(BuildError, match=said):
            build_disc(plan, tmp_path / "disc.iso")
    assert sorted(path.name for path in tmp_path.iterdir()) == before
    build_disc(plan, tmp_path / "disc.iso")  # the control: an honest writer
    assert (tmp_path / "disc.iso").stat().st_size == plan.size


def test_the_second_reader_is_asked_for_every_disc(
    plan: DiscPlan, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[Path] = []

    def note(plan: DiscPlan, path: Path) -> None:
        asked.append(path)
        assert path.stat().st_size == plan.size  # whole, and not yet under its name
        assert not (tmp_path / "disc.iso").exists()
        hear_witness(plan, path)

    monkeypatch.setattr(write, "hear_witness", note)
    build_disc(plan, tmp_path / "disc.iso")
    assert len(asked) == 1


def test_a_boot_catalog_that_was_not_planned_is_a_disagreement(
    plan: DiscPlan, tmp_path: Path
) -> None:
    build_disc(plan, tmp_path / "disc.iso")
    plain = plan_disc(recipe_from_folders([tmp_path / "top"], label="Kiosk"))
    build_disc(plain, tmp_path / "plain.iso")
    with pytest.raises(BuildError, match="pycdlib, the second reader"):
        hear_witness(plan, tmp_path / "plain.iso")
    with pytest.raises(BuildError, match="pycdlib, the second reader"):
        hear_witness(plain, tmp_path / "disc.iso")
