"""UDF trees: names and bytes as in the other trees of a bridge disc; damage is named.

The bridge discs are written by pycdlib, which is the independent party here: its
ISO 9660 and Joliet trees are read by other code of ours and by other libraries.
"""

from __future__ import annotations

import binascii
import struct
from datetime import UTC, datetime, timedelta, timezone
from io import BytesIO
from pathlib import Path

import pycdlib
import pytest

from byte_views import BytesView
from image_udf import icb_tag, make_udf
from mediashelf.findings import Severity
from mediashelf.formats.problem_log import ProblemLog
from mediashelf.formats.udf.fields import decode_compressed, parse_dstring, parse_timestamp
from mediashelf.formats.udf.records import FileEntry, LongAddress, parse_addresses
from mediashelf.formats.udf.space import UdfSpace
from mediashelf.formats.udf.volume import read_udf_volume
from mediashelf.formats.udf.volume_records import (
    LogicalVolume,
    PartitionDescriptor,
    PartitionMap,
    parse_logical_volume,
)
from mediashelf.formats.volume import HOLE, SECTOR_SIZE, VolumeFacts, VolumeKind
from mediashelf.image import open_image
from mediashelf.integrity.structure.parts import check_structure

FILES = 40


def make_bridge(path: Path) -> None:
    iso = pycdlib.PyCdlib()
    iso.new(joliet=3, udf="2.60", vol_ident="BRIDGE")
    iso.add_directory("/DIR", joliet_path="/lange Namen", udf_path="/lange Namen")
    iso.add_directory("/DIR/SUB", joliet_path="/lange Namen/港", udf_path="/lange Namen/港")
    for number in range(FILES):
        data = b"%d" % number * 1500
        name = f"lange Namen/Datei für {number:03d}.txt"
        iso.add_fp(
            BytesIO(data),
            len(data),
            f"/DIR/F{number:03d}.TXT;1",
            joliet_path=f"/{name}",
            udf_path=f"/{name}",
        )
    iso.add_fp(BytesIO(b""), 0, "/EMPTY.;1", joliet_path="/empty", udf_path="/empty")
    iso.write(str(path))
    iso.close()


@pytest.fixture(scope="module")
def bridge(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    path = tmp_path_factory.mktemp("bridge") / "bridge.iso"
    make_bridge(path)
    return path.read_bytes()


def read(data: bytes) -> tuple[VolumeFacts | None, set[str]]:
    log = ProblemLog()
    volume = read_udf_volume(BytesView(data), log)
    return volume, {finding.rule for finding in log.findings()}


def find_tags(data: bytes, identifier: int) -> list[int]:
    """Return the offsets of blocks that start with a sound tag of this kind."""
    return [
        at
        for at in range(0, len(data), SECTOR_SIZE)
        if data[at : at + 2] == identifier.to_bytes(2, "little")
        and data[at + 2] in (2, 3)
        and (sum(data[at : at + 16]) - data[at + 4]) & 0xFF == data[at + 4]
    ]


def test_a_bridge_disc_has_one_tree_three_times(tmp_path: Path, bridge: bytes) -> None:
    path = tmp_path / "bridge.iso"
    path.write_bytes(bridge)
    with open_image(path) as image:
        joliet = image.facts.volume(VolumeKind.JOLIET)
        udf = image.facts.volume(VolumeKind.UDF)
        assert joliet is not None
        assert udf is not None
        assert udf.label == "BRIDGE"
        assert udf.entries_read
        assert udf.is_complete
        ours = {entry.path: entry for entry in udf.entries}
        assert set(ours) == {entry.path for entry in joliet.entries}
        assert len(udf.files) == FILES + 1
        for entry in joliet.files:
            same = ours[entry.path]
            assert b"".join(image.iter_file(same)) == b"".join(image.iter_file(entry))
        assert not [finding for finding in image.findings if finding.rule.startswith("udf")]


@pytest.mark.parametrize("tag", [2, 6, 0x100, 0x105], ids=["anchor", "volume", "set", "entry"])
def test_one_changed_byte_in_a_record_is_found(bridge: bytes, tag: int) -> None:
    # ECMA-167 3/7.2 and 4/7.2.1: checksum and CRC of the tag.
    at = find_tags(bridge, tag)[0]
    for place in (at + 4, at + 20):  # the tag's checksum; a byte under the CRC
        damaged = bytearray(bridge)
        damaged[place] ^= 0xFF
        _, rules = read(bytes(damaged))
        assert "udf-tag" in rules
    assert read(bridge)[1] == set()


def test_one_damaged_tag_is_one_finding_that_says_what_is_wrong(bridge: bytes) -> None:
    # ECMA-167 3/7.2: identifier, version and checksum of one tag.
    at = find_tags(bridge, 0x105)[-1]
    log = ProblemLog()
    read_udf_volume(BytesView(bridge[:at] + b"ZZZZ" + bridge[at + 4 :]), log)
    finding, *others = (one for one in log.findings() if one.rule == "udf-tag")
    assert others == []
    assert finding.found.startswith("tag identifier 23130, tag checksum 0x")
    assert finding.found.endswith(", tag version 23130")
    assert finding.message.endswith(f" is wrong: {finding.found}")


def test_a_damaged_main_sequence_is_replaced_by_the_reserve(bridge: bytes) -> None:
    # ECMA-167 3/10.2: the anchor names two sequences.
    main = find_tags(bridge, 6)[0]
    damaged = bridge[: main + 100] + b"\xff" + bridge[main + 101 :]
    volume, rules = read(damaged)
    assert volume is not None
    assert len(volume.entries) == FILES + 3
    assert "udf-tag" in rules


def test_a_directory_that_contains_itself_ends(bridge: bytes) -> None:
    # The identifier descriptor of the folder is made to point at the root's own entry.
    whole = read(bridge)[0]
    assert whole is not None
    inner = next(entry for entry in whole.entries if entry.path == "/lange Namen/港")
    outer = next(entry for entry in whole.entries if entry.path == "/lange Namen")
    data = bytearray(bridge)
    start, size = outer.extents[0].lba * SECTOR_SIZE, outer.size
    name = b"\x10" + "港".encode("utf-16-be")
    at = data.index(name, start, start + size) - 38
    partition_start = (
        inner.record_offset // SECTOR_SIZE - struct.unpack_from("<I", data, at + 24)[0]
    )
    struct.pack_into("<I", data, at + 24, outer.record_offset // SECTOR_SIZE - partition_start)
    _sign(data, at)
    volume, rules = read(bytes(data))
    assert rules == {"directory-loop"}
    assert volume is not None
    assert not volume.is_complete


def _sign(data: bytearray, at: int) -> None:
    (length,) = struct.unpack_from("<H", data, at + 10)
    crc = binascii.crc_hqx(bytes(data[at + 16 : at + 16 + length]), 0)
    struct.pack_into("<H", data, at + 8, crc)
    data[at + 4] = (sum(data[at : at + 16]) - data[at + 4]) & 0xFF


def test_every_cut_is_survived(bridge: bytes) -> None:
    # Own behaviour.
    for size in range(0, len(bridge), SECTOR_SIZE * 7 + 1):
        volume, rules = read(bridge[:size])
        if volume is not None and size < len(bridge) // 2:
            assert rules, size


def sign(data: bytearray, at: int) -> None:
    """Let the tag of the descriptor at ``at`` fit its bytes."""
    (length,) = struct.unpack_from("<H", data, at + 10)
    crc = binascii.crc_hqx(bytes(data[at + 16 : at + 16 + length]), 0)
    struct.pack_into("<H", data, at + 8, crc)
    data[at + 4] = (sum(data[at : at + 16]) - data[at + 4]) & 0xFF


def make_space(maps: tuple[PartitionMap, ...], data: bytes = bytes(SECTOR_SIZE * 64)) -> UdfSpace:
    volume = LogicalVolume("", SECTOR_SIZE, 0x0250, LongAddress(0, 0, 0, 0), maps)
    return UdfSpace(BytesView(data), volume, [PartitionDescriptor(0, 10, 20)], ProblemLog())


@pytest.mark.parametrize("kind", ["virtual", "sparable", "unknown"])
def test_partitions_that_are_not_followed_are_named(kind: str) -> None:
    # UDF 2.60, 2.2.8 and 2.2.9; not reading them is own behaviour.
    space = make_space((PartitionMap(kind, 0),))
    assert space.read_record(LongAddress(0, SECTOR_SIZE, 1, 0), frozenset({0x100}), "x") is None
    assert space.unread == {kind}
    assert not space.is_complete
    assert space.log.findings() == ()


@pytest.mark.parametrize("kind", [b"*UDF Virtual Partition", b"*UDF Sparable Partition"])
def test_a_disc_of_moved_blocks_without_its_table_is_damaged(kind: bytes) -> None:
    # UDF 2.60, 2.2.8 and 2.2.9.
    made = make_udf({"A.TXT": b"a"}, SECTOR_SIZE)
    volume = made.index(struct.pack("<H", 6), 257 * SECTOR_SIZE)
    while volume % SECTOR_SIZE:
        volume = made.index(struct.pack("<H", 6), volume + 1)
    row = bytes([2, 64, 0, 0, 0]) + kind.ljust(23, b"\0") + bytes(8) + struct.pack("<HH", 1, 0)
    data = bytearray(made)
    data[volume + 264 : volume + 268] = struct.pack("<I", 64)
    data[volume + 440 : volume + 504] = row.ljust(64, b"\0")
    # Both copies of the sequence are the same, so that only the kind of partition differs.
    sign(data, volume)
    reserve = made.rindex(made[volume + 20 : volume + 440]) - 20
    data[reserve + 264 : reserve + 268] = struct.pack("<I", 64)
    data[reserve + 440 : reserve + 504] = row.ljust(64, b"\0")
    sign(data, reserve)
    log = ProblemLog()
    found = read_udf_volume(BytesView(bytes(data)), log)
    assert found is not None
    assert not found.entries_read
    (finding,) = log.findings()
    assert (finding.rule, finding.severity) == ("udf-moved-blocks", Severity.ERROR)


@pytest.mark.parametrize("standard", ["NSR02", "NSR03"])
@pytest.mark.parametrize("block_size", [512, 1024, 2048, 4096])
def test_blocks_of_every_size_are_read(block_size: int, standard: str, tmp_path: Path) -> None:
    """The first anchor is at block 256, whatever a block is.

    As Linux finds it (util-linux, libblkid udf.c): the tag of an anchor names its block.
    """
    files = {"A.TXT": b"a" * 5000, "DIR/B.TXT": b"b", "EMPTY": b""}
    path = tmp_path / "disc.udf"
    path.write_bytes(make_udf(files, block_size, standard))
    with open_image(path) as image:
        expected = set() if block_size == SECTOR_SIZE else {"udf-block-size", "whole-sectors"}
        assert {finding.rule for finding in image.findings} <= expected
        assert not list(check_structure(image))
        (volume,) = image.facts.volumes
        found = {
            entry.path.lstrip("/"): image.read_file(entry, 9000)
            for entry in volume.entries
            if not entry.is_directory
        }
    assert found == files
    assert (volume.block_size, volume.detail) == (block_size, standard)


def test_a_file_past_the_end_counts_in_blocks() -> None:
    # ECMA-167 4/14.9.
    made = make_udf({"A.TXT": b"a" * 5000}, 4096)
    log = ProblemLog()
    at = made.index(b"a" * 5000)
    read_udf_volume(BytesView(made[: at + 4096]), log)
    cut = [finding for finding in log.findings() if finding.rule == "extent-inside-image"]
    assert [finding.length for finding in cut] == [5000 - 4096]


def test_short_long_and_extended_descriptors_give_the_same_addresses() -> None:
    # ECMA-167 4/14.14.1 to 4/14.14.3.
    short = struct.pack("<II", 4096, 7) + struct.pack("<II", 1 << 30 | 100, 0) + bytes(8)
    long = struct.pack("<IIH6x", 4096, 7, 1) + struct.pack("<IIH6x", 1 << 30 | 100, 0, 1)
    extended = struct.pack("<IIIIH2x", 4096, 0, 0, 7, 1) + struct.pack(
        "<IIIIH2x", 1 << 30 | 100, 0, 0, 0, 1
    )
    expected = [LongAddress(0, 4096, 7, 1), LongAddress(1, 100, 0, 1)]
    assert parse_addresses(0, short, 1) == expected
    assert parse_addresses(1, long, 1) == expected
    assert parse_addresses(2, extended, 1) == expected
    assert parse_addresses(3, long, 1) == []


def test_embedded_bytes_and_holes_are_read() -> None:
    # ECMA-167 4/14.6.8 and 4/14.14.1.1.
    space = make_space((PartitionMap("plain", 0),), bytes(range(256)) * 8 * 64)
    icb = LongAddress(0, SECTOR_SIZE, 3, 0)
    embedded = FileEntry(5, 5, b"", 3, b"inner", 176)
    (extent,) = space.extents(embedded, icb, 13 * SECTOR_SIZE, "x")
    assert (extent.lba, extent.size, extent.offset) == (13, 5, 176)
    assert space.read_extents((extent,), 5) == bytes(range(176, 181))
    addresses = struct.pack("<IIII", SECTOR_SIZE, 2, 1 << 30 | 10, 0)
    sparse = FileEntry(5, SECTOR_SIZE + 10, b"", 0, addresses, 176)
    extents = space.extents(sparse, icb, 0, "x")
    assert [(extent.lba, extent.size) for extent in extents] == [(12, SECTOR_SIZE), (HOLE, 10)]
    assert space.read_extents(extents, SECTOR_SIZE + 10).endswith(bytes(10))
    assert space.is_complete


def test_texts_and_dates() -> None:
    # ECMA-167 1/7.3 for dates; compressed unicode is that of UDF.
    assert decode_compressed(b"\x08h\xe9") == "hé"
    assert decode_compressed(b"\x10" + "港".encode("utf-16-be")) == "港"
    assert parse_dstring(b"\x08LABEL" + bytes(25) + b"\x06") == "LABEL"
    assert parse_dstring(bytes(32)) == ""
    zone = timezone(timedelta(minutes=-300))
    stamp = struct.pack("<HhBBBBB3x", 0x1000 | (-300 & 0xFFF), 1999, 6, 12, 10, 30, 5)
    assert parse_timestamp(stamp) == datetime(1999, 6, 12, 10, 30, 5, tzinfo=zone)
    unknown_zone = struct.pack("<HhBBBBB3x", 0x1000 | (-2047 & 0xFFF), 1999, 6, 12, 10, 30, 5)
    assert parse_timestamp(unknown_zone) == datetime(1999, 6, 12, 10, 30, 5, tzinfo=UTC)
    assert parse_timestamp(struct.pack("<HhBBBBB3x", 0, 1999, 13, 1, 0, 0, 0)) is None


def type_2_map(identifier: bytes, number: int, *blocks: int) -> bytes:
    """A partition map of type 2 (UDF 2.60, 2.2.8 to 2.2.10): 64 bytes."""
    head = bytes((2, 64, 0, 0, 0)) + identifier.ljust(23, b"\0") + bytes(8)
    return (head + struct.pack("<HH", 1, number) + struct.pack(f"<{len(blocks)}I", *blocks)).ljust(
        64, b"\0"
    )


def descriptor_with_maps(*maps: bytes) -> bytes:
    """A logical volume descriptor (ECMA-167 3/10.6) with a label, UDF 2.50 and these maps."""
    data = bytearray(440)
    data[84:92] = b"\x08KIOSK".ljust(8, b"\0")
    data[211] = 6
    struct.pack_into("<I", data, 212, SECTOR_SIZE)
    struct.pack_into("<H", data, 240, 0x0250)
    struct.pack_into("<IIH", data, 248, SECTOR_SIZE, 7, 1)
    struct.pack_into("<II", data, 264, sum(map(len, maps)), len(maps))
    return bytes(data) + b"".join(maps)


def test_partition_maps_of_every_kind_are_told_apart() -> None:
    # ECMA-167 3/10.7: type 1 has 6 bytes, type 2 has 64. UDF 2.60: 2.2.8, 2.2.9, 2.2.10.
    data = descriptor_with_maps(
        bytes((1, 6)) + struct.pack("<HH", 1, 3),
        type_2_map(b"*UDF Metadata Partition", 3, 40, 50),
        type_2_map(b"*UDF Sparable Partition", 4),
        type_2_map(b"*UDF Virtual Partition", 5),
        type_2_map(b"*Own Partition", 6),
    )
    volume = parse_logical_volume(data)
    assert volume is not None
    assert (volume.label, volume.block_size, volume.revision) == ("KIOSK", SECTOR_SIZE, 0x0250)
    assert volume.file_set == (0, SECTOR_SIZE, 7, 1)
    assert volume.maps == (
        PartitionMap("plain", 3),
        PartitionMap("metadata", 3, 40, 50, bitmap_block=0),
        PartitionMap("sparable", 4),
        PartitionMap("virtual", 5),
        PartitionMap("unknown", 6),
    )
    # The last map is cut off; one fewer is announced; and a descriptor that is too short.
    cut = parse_logical_volume(data[:-1])
    assert cut is not None
    assert cut.maps == volume.maps[:-1]
    fewer = bytearray(data)
    fewer[268] = 2
    shorter = parse_logical_volume(bytes(fewer))
    assert shorter is not None
    assert shorter.maps == volume.maps[:2]
    assert parse_logical_volume(data[:439]) is None


def metadata_file(block: int, *extents: tuple[int, int]) -> bytes:
    """A signed file entry (ECMA-167 4/14.9) for ``block`` with short descriptors."""
    data = bytearray(SECTOR_SIZE)
    struct.pack_into("<HH", data, 0, 0x0105, 3)
    data[16:36] = icb_tag(0xFA)
    struct.pack_into("<Q", data, 56, sum(size for size, _ in extents))
    struct.pack_into("<II", data, 168, 0, 8 * len(extents))
    for number, extent in enumerate(extents):
        struct.pack_into("<II", data, 176 + 8 * number, *extent)
    struct.pack_into("<H", data, 10, 176 + 8 * len(extents) - 16)
    struct.pack_into("<I", data, 12, block)
    _sign(data, 0)
    return bytes(data)


@pytest.mark.parametrize("damaged", [False, True], ids=["main", "mirror"])
def test_records_in_a_metadata_partition_are_found(damaged: bool) -> None:
    # UDF 2.60, 2.2.10: addresses count in the metadata file, or in its mirror.
    maps = (PartitionMap("plain", 0), PartitionMap("metadata", 0, 5, 9))
    image = bytearray(SECTOR_SIZE * 64)
    for block in (5, 9):
        # Two blocks at 12, then two at 15, of the partition that starts at LBA 10.
        entry = metadata_file(block, (2 * SECTOR_SIZE, 12), (2 * SECTOR_SIZE, 15))

        image[(10 + block) * SECTOR_SIZE : (11 + block) * SECTOR_SIZE] = entry
    wanted = metadata_file(3, (SECTOR_SIZE, 1))  # any record whose tag names block 3
    image[26 * SECTOR_SIZE : 27 * SECTOR_SIZE] = wanted
    if damaged:
        image[15 * SECTOR_SIZE + 60] ^= 1
    space = make_space(maps, bytes(image))
    tags = frozenset({0x0105})
    for _ in range(2):  # what was learned of the metadata file is kept
        assert space.read_record(LongAddress(0, SECTOR_SIZE, 3, 1), tags, "x") == wanted
    assert [each.rule for each in space.log.findings()] == ["udf-tag"] * damaged
    # There is no block 4, nor a third partition.
    assert space.read_record(LongAddress(0, SECTOR_SIZE, 4, 1), tags, "x") is None
    assert space.read_record(LongAddress(0, SECTOR_SIZE, 0, 2), tags, "x") is None
    assert [each.rule for each in space.log.findings()][-2:] == ["udf-address"] * 2


def test_a_volume_that_is_not_read_is_not_called_complete(bridge: bytes) -> None:
    # Own behaviour: without a logical volume nothing is known of the tree.
    damaged = bytearray(bridge)
    for at in find_tags(bridge, 6):
        damaged[at + 100] ^= 0xFF
    volume, rules = read(bytes(damaged))
    assert volume is not None
    assert not volume.entries_read
    assert not volume.is_complete
    assert {"udf-volume-descriptors", "udf-contents-not-read"} <= rules


@pytest.mark.parametrize(
    ("word", "offset"),
    [
        (0x1000, timedelta(0)),
        (0x1000 | 120, timedelta(hours=2)),
        (0x1000 | (-90 & 0xFFF), timedelta(minutes=-90)),
        (0x1000 | 1439, timedelta(minutes=1439)),
        (0x1000 | (-1439 & 0xFFF), timedelta(minutes=-1439)),
        (0x1000 | (-2047 & 0xFFF), timedelta(0)),  # not given
        (0x1000 | 1440, timedelta(0)),  # no clock is a day ahead: taken as not given
    ],
)
def test_offsets_from_utc(word: int, offset: timedelta) -> None:
    # ECMA-167 1/7.3: 12 bits with a sign, in minutes from -1440 to 1440; -2047 is "not given".
    data = struct.pack("<HhBBBBB", word, 1999, 3, 1, 12, 30, 15) + bytes(3)
    moment = parse_timestamp(data)
    assert moment == datetime(1999, 3, 1, 12, 30, 15, tzinfo=timezone(offset))
    assert moment.utcoffset() == offset
