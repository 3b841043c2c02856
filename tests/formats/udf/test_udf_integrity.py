"""The logical volume integrity sequence and the metadata mirror file: needed by nobody, damaged."""

from __future__ import annotations

import struct

import pytest

from byte_views import BytesView
from golden_discs import UDF_ALONE, sign, with_integrity, with_mirror
from image_parts import SECTOR, le32, tagged
from image_udf import TIMESTAMP, icb_tag, make_udf, regid
from make_image import flip, put, zero
from mediashelf.findings import Severity
from mediashelf.formats.disc import read_disc
from mediashelf.formats.volume import VolumeKind

PLACE = 261 * SECTOR  # of the descriptor
LOGICAL = 258 * SECTOR  # of the logical volume descriptor


def rules(data: bytes) -> set[str]:
    return {finding.rule for finding in read_disc(BytesView(data)).findings}


@pytest.mark.parametrize("at", [0, 1, 2, 4, 8, 10, 12, 15, 16, 28, 32, 72, 500])
def test_every_byte_of_the_descriptor_counts(at: int) -> None:
    # ECMA-167 3/7.2: checksum and CRC; the layout as in the Linux kernel 6.1, fs/udf/ecma_167.h.
    data = with_integrity()
    assert rules(data) == set()
    damaged = flip(data, PLACE + at)
    assert rules(damaged) == {"udf-integrity"}
    volumes = [read_disc(BytesView(each)).facts.volumes for each in (data, damaged)]
    assert volumes[0] == volumes[1]  # everything else is read


def test_an_open_volume_is_noted() -> None:
    (finding,) = read_disc(BytesView(with_integrity(state=0))).findings
    assert (finding.rule, finding.severity) == ("udf-volume-closed", Severity.NOTE)


def test_the_last_descriptor_of_the_sequence_tells() -> None:
    # Bytes 32 to 39 are the next extent; a loop of them ends.
    data = with_integrity(state=0)
    body = TIMESTAMP + le32(0) + le32(SECTOR) + le32(261) + bytes(32) + le32(1) + le32(0)
    assert rules(put(data, PLACE, tagged(9, 261, body))) == {"udf-volume-closed"}
    (length,) = (len(data) // SECTOR,)
    more = body[:16] + le32(SECTOR) + le32(length) + body[24:]
    last = tagged(9, length, TIMESTAMP + le32(1) + bytes(40) + le32(1) + le32(0))
    longer = put(data, PLACE, tagged(9, 261, more)) + last
    assert "udf-volume-closed" not in rules(longer)
    assert "udf-integrity" in rules(flip(longer, length * SECTOR + 20))


def test_a_sequence_past_the_end_and_one_with_a_terminator() -> None:
    data = with_integrity()
    away = data
    for at in (LOGICAL, (int.from_bytes(data[256 * SECTOR + 28 :][:4], "little") + 1) * SECTOR):
        away = sign(put(away, at + 436, le32(1 << 20)), at)
    assert rules(away) == {"udf-integrity"}


def test_a_mirror_that_is_damaged_is_found_while_nothing_needs_it() -> None:
    # UDF 2.60, 2.2.10, as the Linux kernel 6.1 has it (fs/udf/osta_udf.h).
    assert rules(with_mirror()) == set()
    (finding,) = read_disc(BytesView(with_mirror(is_damaged=True))).findings
    assert (finding.rule, finding.severity) == ("udf-metadata-mirror", Severity.WARNING)
    assert finding.found.startswith(("CRC", "tag"))
    volume = read_disc(BytesView(with_mirror(is_damaged=True))).facts.volume(VolumeKind.UDF)
    assert volume is not None
    assert volume.is_complete


def with_unallocated() -> tuple[bytes, list[int]]:
    """UDF alone with one descriptor more before the ends of its sequences, and where these begin.

    No reader needs an unallocated space descriptor (ECMA-167 3/10.8; tag 7).
    """
    data = UDF_ALONE
    main, reserve = struct.unpack_from("<4xI4xI", data, 256 * SECTOR + 16)
    for start in (main, reserve):
        more = tagged(7, start + 3, bytes(8)) + tagged(8, start + 4, b"")
        data = put(data, (start + 3) * SECTOR, more)
    return data, [main, reserve]


def test_a_sequence_is_not_cut_by_zeros_unnoticed() -> None:
    # ECMA-167 3/8.4.2 (from memory): a block that was never recorded ends a sequence.
    data, (main, reserve) = with_unallocated()
    assert rules(data) == set()
    for start in (main, reserve):
        assert rules(zero(data, (start + 4) * SECTOR)) == set()
    both = {"udf-terminator", "udf-reserve-sequence"}
    assert rules(zero(data, (main + 3) * SECTOR)) == both
    assert rules(zero(data, (main + 3) * SECTOR, 2 * SECTOR)) == {"udf-reserve-sequence"}
    assert rules(zero(data, (reserve + 3) * SECTOR)) == {"udf-reserve-sequence"}
    assert rules(zero(data, (reserve + 3) * SECTOR, 2 * SECTOR)) == {"udf-reserve-sequence"}
    assert rules(zero(data, (main + 2) * SECTOR)) >= both  # the partition descriptor
    assert rules(zero(data, main * SECTOR)) == {"udf-reserve-sequence"}  # read in its place


def test_what_is_left_after_the_end_of_a_sequence_is_none_of_it() -> None:
    """A descriptor of another place, as in space that was in use before, or one that is damaged."""
    data, (main, _) = with_unallocated()
    one = zero(data, (main + 3) * SECTOR, 2 * SECTOR)
    for rest in (tagged(7, main + 9, bytes(8)), flip(tagged(7, main + 4, bytes(8)), 20)):
        assert rules(put(one, (main + 4) * SECTOR, rest)) == {"udf-reserve-sequence"}


def make_names(name: str, other: str) -> bytes:
    """UDF alone with files of these names, of 5 characters each, of which no maker makes all."""
    data = make_udf({"name0": b"x", "name1": b"y"}, SECTOR)
    for old, new in (("name0", name), ("name1", other)):
        at = data.index(b"\x08" + old.encode()) + 1
        data = sign(put(data, at, new.encode("latin-1")), at - 39)
    return data


@pytest.mark.parametrize("name", ["a/b.c", "/////"])
def test_a_name_that_is_no_part_of_a_path_is_named(name: str) -> None:
    (finding,) = read_disc(BytesView(make_names(name, "plain"))).findings
    assert (finding.rule, finding.where) == ("identifier-usable", "/ (udf)")


def test_two_equal_names_in_one_directory_are_named() -> None:
    # Own behaviour, as in trees of ISO 9660.
    (finding,) = read_disc(BytesView(make_names("twice", "twice"))).findings
    assert (finding.rule, finding.where) == ("identifiers-distinct", "/ (udf)")
    assert rules(make_names("twice", "Twice")) == set()


def with_double(*, flag: int = 1) -> tuple[bytes, int, int]:
    """UDF alone whose metadata file and mirror file have two blocks each, and where these begin.

    UDF 2.60, 2.2.10: bit 0 of the flags at byte 58 of the map says that both have their own (the
    bit from memory).
    """
    marks = [bytes([number]) * 2 * SECTOR for number in (65, 66, 67, 68)]
    data = make_udf({f"{mark[0]}.BIN": mark for mark in marks}, SECTOR)
    lbas = [data.index(mark) // SECTOR for mark in marks]
    own, mirror, first, second = (lba - 262 for lba in lbas)  # blocks of the partition
    (reserve,) = struct.unpack_from("<I", data, 256 * SECTOR + 28)
    row = bytes([2, 64, 0, 0]) + regid(b"*UDF Metadata Partition") + struct.pack("<HH", 1, 0)
    row += struct.pack("<IIIIHB", own, mirror, 0xFFFFFFFF, 1, 1, flag)
    for sequence in (257, reserve):
        at = (sequence + 1) * SECTOR
        data = put(put(data, at + 264, le32(6 + 64) + le32(2)), at + 446, row.ljust(64, b"\0"))
        data = sign(data, at)
    for block, contents in ((own, first), (mirror, second)):
        body = bytearray(icb_tag(0xFA) + bytes(140))
        struct.pack_into("<Q", body, 56 - 16, 2 * SECTOR)
        struct.pack_into("<I", body, 172 - 16, 8)
        body += struct.pack("<II", 2 * SECTOR, contents)
        data = put(data, (block + 262) * SECTOR, tagged(261, block, bytes(body)))
    data = put(data, lbas[3] * SECTOR, marks[2])
    return data, lbas[2] * SECTOR, lbas[3] * SECTOR


@pytest.mark.parametrize("is_mirror", [False, True])
@pytest.mark.parametrize("at", [0, 2 * SECTOR - 1])
def test_a_mirror_with_blocks_of_its_own_is_a_copy(is_mirror: bool, at: int) -> None:
    data, own, mirror = with_double()
    assert rules(data) == set()
    place = (mirror if is_mirror else own) + at
    (finding,) = read_disc(BytesView(flip(data, place))).findings
    assert (finding.rule, finding.severity) == ("udf-metadata-mirror", Severity.WARNING)
    assert finding.offset == mirror + at // SECTOR * SECTOR
    assert rules(flip(with_double(flag=0)[0], place)) == set()


@pytest.mark.parametrize(("at", "new"), [(20, b"\0"), (180, b"\xff\xff\xff\7")])
def test_a_mirror_that_no_system_can_follow_is_named(at: int, new: bytes) -> None:
    # ECMA-167 4/14.6.2: strategy 0 says nothing; or its only extent is outside the partition.
    data, _, _ = with_double()
    (block,) = struct.unpack_from("<I", data, 258 * SECTOR + 446 + 44)
    place = (block + 262) * SECTOR
    assert rules(sign(put(data, place + at, data[place + at :][: len(new)]), place)) == set()
    (finding,) = read_disc(BytesView(sign(put(data, place + at, new), place))).findings
    assert (finding.rule, finding.severity) == ("udf-metadata-mirror", Severity.WARNING)


def with_bitmap(data: bytes, bits: int) -> bytes:
    """The same with a bitmap of the metadata file, which is in its file entry."""
    maps = [(sequence + 1) * SECTOR + 446 for sequence in (257, reserve_of(data))]
    block = struct.unpack_from("<I", data, maps[0] + 40)[0] + 1  # after that of the metadata file
    body = bytearray(icb_tag(0xFC, 3) + bytes(140))  # 3: the bytes are in the file entry
    bitmap = tagged(264, block, le32(2) + le32(1) + bytes([bits]))[:25]
    struct.pack_into("<Q", body, 56 - 16, len(bitmap))
    struct.pack_into("<I", body, 172 - 16, len(bitmap))
    data = put(data, (block + 262) * SECTOR, tagged(261, block, bytes(body) + bitmap))
    for at in maps:
        data = sign(put(data, at + 48, le32(block)), at - 446)
    return data


def reserve_of(data: bytes) -> int:
    (reserve,) = struct.unpack_from("<I", data, 256 * SECTOR + 28)
    return int(reserve)


@pytest.mark.parametrize(("bits", "is_told"), [(0b01, False), (0b10, True), (0b00, True)])
def test_free_blocks_of_the_metadata_file_may_differ(bits: int, is_told: bool) -> None:
    # Space bitmap descriptor, ECMA-167 4/14.12: a bit of 1 is a free block.
    data, _, mirror = with_double()
    data = with_bitmap(data, bits)
    assert rules(data) == set()
    assert rules(flip(data, mirror)) == ({"udf-metadata-mirror"} if is_told else set())
