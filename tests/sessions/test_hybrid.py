"""Hybrid images: a disc and a disk at once; what is said of them, and how they are served."""

from __future__ import annotations

import json
import struct
from pathlib import Path

import pytest
from click.testing import CliRunner

from make_raw import mode_1_image
from mediashelf.cli.main import main
from mediashelf.errors import BlockedError
from mediashelf.findings import Severity
from mediashelf.formats.partitions.partition_table import detect_partition_table
from mediashelf.sessions.emulator import check_lun, is_served_whole, served_blocks
from session_bench import make_bench, slides_image

SIZE = 1 << 20


def entry(kind: int, first: int, count: int, status: int = 0) -> bytes:
    return struct.pack("<B3sB3sII", status, bytes(3), kind, bytes(3), first, count)


def head(*entries: bytes, signature: bytes = b"\x55\xaa", after: bytes = b"") -> bytes:
    table = b"".join(entries).ljust(64, b"\0")
    return (bytes(446) + table + signature + after).ljust(1024, b"\0")


def hybrid_image() -> bytes:
    image = bytearray(slides_image())
    image[:1024] = head(entry(0x17, 0, len(image) // 512, 0x80))
    return bytes(image)


@pytest.mark.parametrize(
    ("data", "kind"),
    [
        (head(entry(0x17, 0, 2048, 0x80)), "MBR"),
        (head(entry(0xEE, 1, 2047), after=b"EFI PART"), "GPT"),
        (head(entry(0x17, 0, 2048), entry(0xEF, 64, 100), after=b"EFI PART"), "GPT"),
        (head(), ""),  # a boot sector without partitions
        (head(entry(0x17, 0, 2048), signature=b"\0\0"), ""),
        (head(entry(0x17, 0, 2048, 0x29)), ""),  # code or text where a status must be
        (head(entry(0x17, 5000, 2048)), ""),  # past the end of the image
        (head(entry(0x17, 0, 0)), ""),
        (head(entry(0xEE, 1, 2047)), ""),  # a protective entry that protects nothing
        (bytes(1024), ""),
        (b"", ""),
    ],
)
def test_partition_tables(data: bytes, kind: str) -> None:
    table = detect_partition_table(data, SIZE)
    assert (table.kind if table else "") == kind


def test_every_cut_of_a_table_is_none() -> None:
    whole = head(entry(0x17, 0, 2048))
    for size in range(512):
        assert detect_partition_table(whole[:size], SIZE) is None


def test_a_disk_has_other_limits_than_a_disc() -> None:
    """Measured on Linux 6.1 and 7.2: blocks of 512 bytes, no largest size."""
    large = 4_700_372_992
    assert (served_blocks(large), is_served_whole(large)) == (1_151_999, False)
    assert (served_blocks(large, "disk"), is_served_whole(large, "disk")) == (large // 512, True)
    assert (served_blocks(512), served_blocks(512, "disk")) == (0, 1)
    assert list(check_lun(large, presentation="disk")) == []
    (tail,) = check_lun(large + 7, presentation="disk")
    assert (tail.rule, tail.length, tail.severity) == ("emulator-whole-blocks", 7, Severity.WARNING)


def test_the_way_out_of_a_large_image_is_one_that_helps_an_installer() -> None:
    (plain,) = check_lun(4_700_372_992)
    assert "An installer cannot be divided" in plain.remedy
    (hybrid,) = check_lun(4_700_372_992, is_hybrid=True)
    assert 'presentation = "disk"' in hybrid.remedy


def test_check_says_which_images_are_hybrid(tmp_path: Path) -> None:
    for name, data, is_hybrid in (
        ("plain.iso", slides_image(), False),
        ("hybrid.iso", hybrid_image(), True),
    ):
        (tmp_path / name).write_bytes(data)
        result = CliRunner().invoke(main, ["check", str(tmp_path / name), "--json"])
        rules = [one["rule"] for one in json.loads(result.stdout)["inputs"][0]["findings"]]
        assert ("image-is-hybrid" in rules) is is_hybrid


def test_a_hybrid_image_goes_to_the_card_as_a_disk(tmp_path: Path) -> None:
    bench = make_bench(tmp_path)
    bench.slides.write_bytes(hybrid_image())
    as_disk = 'image = "library/slides.iso"\npresentation = "disk"'
    bench.write_plan(as_disk, 'image = "library/slides.iso"')
    disk, disc = bench.prepare().manifest.discs
    assert (disk.presentation, disk.block_size) == ("disk", 512)
    assert disk.served_blocks * 512 == disk.size
    assert [(write.attribute, write.value) for write in disk.lun[:-1]] == [
        ("ro", "1"),
        ("cdrom", "0"),
        ("removable", "1"),
    ]
    assert (disc.presentation, disc.block_size, disc.repeats) == ("optical", 2048, None)


def test_an_image_without_a_partition_table_is_no_disk(tmp_path: Path) -> None:
    bench = make_bench(tmp_path)
    (bench.folder / "library" / "raw.bin").write_bytes(mode_1_image(slides_image()))
    for disc in (
        'image = "library/slides.iso"',
        'image = "library/raw.bin"',
        'recipe = "drivers.toml"',
    ):
        bench.write_plan(f'{disc}\npresentation = "disk"')
        with pytest.raises(BlockedError):
            bench.prepare()
