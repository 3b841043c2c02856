"""What the partition table of a hybrid image names after the volume is in its place there."""

from __future__ import annotations

from pathlib import Path

import pytest

from byte_views import BytesView
from image_parts import SECTOR
from make_hybrid import Hybrid, append_guid_partitions, partition_table
from make_image import flip, make_iso, put, zero
from mediashelf.formats.disc import read_disc

DISK_SECTOR = 512
AFTER, CHECKSUM = "nothing-after-volume", "partition-table-checksum"


@pytest.fixture(scope="module")
def iso() -> bytes:
    return make_iso({"A.TXT": b"a" * 5000}, joliet=3).data


@pytest.fixture(scope="module")
def hybrid(iso: bytes) -> Hybrid:
    return append_guid_partitions(iso, b"\xebEFI" * 5000)


def rules(data: bytes) -> list[str]:
    return sorted(finding.rule for finding in read_disc(BytesView(data)).findings)


def test_an_independent_reader_finds_the_partition(hybrid: Hybrid, tmp_path: Path) -> None:
    pytsk3 = pytest.importorskip("pytsk3")
    path = tmp_path / "hybrid.iso"
    path.write_bytes(hybrid.data)
    parts = pytsk3.Volume_Info(pytsk3.Img_Info(str(path)), type=pytsk3.TSK_VS_TYPE_GPT)
    used = [(part.start, part.len) for part in parts if part.flags == pytsk3.TSK_VS_PART_FLAG_ALLOC]
    assert used == [(hybrid.partition // DISK_SECTOR, 40)]


@pytest.mark.parametrize("gap", [0, DISK_SECTOR, 1 << 20])
@pytest.mark.parametrize("size", [0, 4, 300 * SECTOR])
def test_a_partition_and_the_backup_table_are_in_their_place(
    iso: bytes, gap: int, size: int
) -> None:
    # UEFI Specification 5.3, from memory: the backup is in the disk's last sectors.
    assert rules(append_guid_partitions(iso, b"\xeb" * size, gap=gap).data) == []


def test_a_damaged_backup_is_named(hybrid: Hybrid) -> None:
    assert CHECKSUM in rules(flip(hybrid.data, hybrid.backup_header + 24))
    assert rules(flip(hybrid.data, hybrid.backup_entries + 40)) == [CHECKSUM]
    assert CHECKSUM in rules(zero(hybrid.data, hybrid.backup_header, DISK_SECTOR))
    cut = hybrid.data[: hybrid.backup_entries // SECTOR * SECTOR]
    assert rules(cut) == ["image-reaches-partition-end"]


def test_a_damaged_first_table_leaves_what_the_backup_proves(hybrid: Hybrid) -> None:
    assert rules(flip(hybrid.data, DISK_SECTOR)) == [CHECKSUM]
    assert rules(flip(hybrid.data, DISK_SECTOR + 24)) == [CHECKSUM]


def test_entries_that_their_crc_does_not_prove_claim_nothing(hybrid: Hybrid) -> None:
    both = flip(hybrid.data, hybrid.backup_entries + 40)
    assert rules(flip(both, 2 * DISK_SECTOR + 40)) == [AFTER, CHECKSUM, CHECKSUM]


def test_what_no_partition_claims_is_still_a_note(iso: bytes, hybrid: Hybrid) -> None:
    gap = append_guid_partitions(iso, b"\xebEFI", gap=8 * SECTOR)
    assert rules(flip(gap.data, len(iso) + 700)) == [AFTER]
    assert rules(hybrid.data + b"\1" * SECTOR) == [AFTER]
    assert rules(append_guid_partitions(iso, b"\xebEFI", gap=2 << 20).data) == [AFTER]


def test_the_note_tells_of_what_is_not_claimed(iso: bytes, hybrid: Hybrid) -> None:
    (finding,) = read_disc(BytesView(hybrid.data + b"\1" * SECTOR)).findings
    assert (finding.offset, finding.length) == (len(hybrid.data), SECTOR)


def test_a_partition_of_the_old_table_after_the_volume(iso: bytes) -> None:
    # UEFI Specification 5.2, from memory: first sector and count.
    first = len(iso) // DISK_SECTOR
    data = put(iso, 446, partition_table((0x17, 0, first), (0xEF, first, 4000)))
    data += b"\xeb" * (4000 * DISK_SECTOR)
    assert rules(data) == []
    (finding,) = read_disc(BytesView(data + b"\1" * SECTOR)).findings
    assert (finding.rule, finding.offset) == (AFTER, len(data))
    # Without the table it is a note, and so is what follows a table that makes no sense.
    assert rules(zero(data, 446, 66)) == [AFTER]
    assert rules(put(data, 446, b"\7")) == [AFTER]


def test_hostile_entries_end(iso: bytes, hybrid: Hybrid) -> None:
    assert rules(put(hybrid.data, 446 + 4, b"\x17")) == []
    assert AFTER in rules(put(iso, 446, partition_table((0x83, 1 << 31, 1))) + b"\1" * SECTOR)
