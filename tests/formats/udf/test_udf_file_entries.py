"""File entries of every type and strategy, and discs that would have more of them than fit.

Layouts: ECMA-167 4/14.6 to 4/14.9 as the Linux kernel 6.1 has them (fs/udf/ecma_167.h); that
an indirect entry leads to the file entry that counts, as in fs/udf/inode.c.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator

import pytest

from byte_views import BytesView
from image_moved import ANCHOR, Disc, tagged
from image_parts import SECTOR, tagged_bare
from mediashelf.findings import Finding, Severity
from mediashelf.formats.disc import read_disc
from mediashelf.formats.problem_log import ProblemLog
from mediashelf.formats.udf import space, tree
from mediashelf.formats.udf.volume import read_udf_volume
from mediashelf.formats.volume import VolumeFacts, VolumeKind

FILES = {"A.TXT": b"a" * 5000, "DIR/B.TXT": b"b" * 100}
FILE_ENTRY, INDIRECT_ENTRY, EXTENT_DESCRIPTOR, FILE_IDENTIFIER = 261, 259, 258, 257
CHAINED = 4096  # strategy


def read(disc: Disc) -> tuple[VolumeFacts, tuple[Finding, ...]]:
    found = read_disc(BytesView(disc.data))
    volume = found.facts.volume(VolumeKind.UDF)
    assert volume is not None
    return volume, tuple(found.findings)


def find_entry(disc: Disc, size: int) -> int:
    """The LBA of the file entry of the file with so many bytes."""
    return next(
        lba
        for lba, block in enumerate(disc.blocks)
        if block[:2] == struct.pack("<H", FILE_ENTRY)
        and struct.unpack_from("<Q", block, 56)[0] == size
    )


def find_root(disc: Disc) -> int:
    """The LBA of the root directory's file entry, which is the first one."""
    return next(lba for lba, block in enumerate(disc.blocks) if block[:2] == b"\5\1")


def changed(block: bytes, number: int, at: int, new: bytes) -> bytes:
    """A descriptor with other bytes, for a block of the partition."""
    body = bytearray(block[16:512])
    body[at - 16 : at - 16 + len(new)] = new
    return tagged(int.from_bytes(block[:2], "little"), number, bytes(body))


def extend_partition(disc: Disc, count: int) -> None:
    """Let the partition reach over ``count`` more blocks, in both sequences."""
    disc.set_end(len(disc.blocks) + count)


def close(disc: Disc) -> Disc:
    """Write an anchor after everything; the one from before is one of the partition's blocks."""
    lba = len(disc.blocks)
    disc.blocks.append(changed(disc.blocks[ANCHOR], lba, 16, b""))
    return disc


def lead_to(disc: Disc, old: int, new: int) -> None:
    """Let the name of the file at block ``old`` lead to ``new``; names share a block."""
    for lba, block in enumerate(disc.blocks):
        data, at = bytearray(block), 0
        while data[at : at + 2] == struct.pack("<H", FILE_IDENTIFIER):
            size = (38 + data[at + 19] + 3) & ~3
            if struct.unpack_from("<I", data, at + 24)[0] == old:
                struct.pack_into("<II", data, at + 20, 4096, new)
                (location,) = struct.unpack_from("<I", data, at + 12)
                body = bytes(data[at + 16 : at + size])
                data[at : at + size] = tagged_bare(FILE_IDENTIFIER, location, body)
            at += size
        disc.blocks[lba] = bytes(data)


def written_once(following: int | None = None) -> Disc:
    """``/A.TXT`` was 5000 bytes, and is 300 since a file entry that an indirect entry leads to.

    ``following`` is where that leads instead, counted from the file entry before it.
    """
    disc = Disc(FILES)
    extend_partition(disc, 3)
    first = len(disc.blocks) - disc.start
    lba = find_entry(disc, 5000)
    lead_to(disc, lba - disc.start, first)
    entry = changed(disc.blocks[lba], first, 20, struct.pack("<H", CHAINED))
    target = first + (2 if following is None else following)
    body = struct.pack("<IHHHBB8x", 0, CHAINED, 0, 1, 0, 3) + struct.pack(
        "<II8x", 2 * SECTOR, target
    )
    later = changed(entry, first + 2, 56, struct.pack("<Q", 300))
    disc.blocks += [entry, tagged(INDIRECT_ENTRY, first + 1, body), later]
    return close(disc)


def size_of(volume: VolumeFacts, path: str) -> int:
    return next(entry.size for entry in volume.entries if entry.path == path)


def test_an_indirect_entry_leads_to_the_file_entry_that_counts() -> None:
    volume, findings = read(written_once())
    assert (size_of(volume, "/A.TXT"), findings) == (300, ())


def test_without_an_indirect_entry_the_first_file_entry_counts() -> None:
    disc = written_once()
    disc.blocks[-3] = bytes(SECTOR)  # nothing was recorded there yet
    volume, findings = read(disc)
    assert (size_of(volume, "/A.TXT"), findings) == (5000, ())


def test_a_damaged_indirect_entry_is_named() -> None:
    disc = written_once()
    block = bytearray(disc.blocks[-3])
    block[40] ^= 1
    disc.blocks[-3] = bytes(block)
    volume, findings = read(disc)
    assert [each.rule for each in findings] == ["udf-tag"]
    assert not volume.is_complete


def test_indirect_entries_that_lead_in_a_circle_end() -> None:
    volume, findings = read(written_once(following=0))
    assert [each.rule for each in findings] == ["walk-bounded"]
    assert not volume.is_complete


@pytest.mark.parametrize("kind", [6, 7, 9, 10, 12])
def test_links_and_devices_are_named(kind: int) -> None:
    # ECMA-167 4/14.6.6: block device, character device, FIFO, socket, symbolic link.
    disc = Disc(FILES)
    lba = find_entry(disc, 5000)
    disc.blocks[lba] = changed(disc.blocks[lba], lba - disc.start, 27, bytes([kind]))
    volume, (finding,) = read(disc)
    assert (finding.rule, finding.severity) == ("udf-links", Severity.NOTE)
    assert finding.where == "/A.TXT (udf)"
    assert volume.is_complete


@pytest.mark.parametrize("kind", [1, 3, 8, 11, 13, 248, 250])
def test_what_is_no_file_is_not_read_as_an_empty_one_in_silence(kind: int) -> None:
    disc = Disc(FILES)
    lba = find_entry(disc, 5000)
    disc.blocks[lba] = changed(disc.blocks[lba], lba - disc.start, 27, bytes([kind]))
    volume, (finding,) = read(disc)
    assert (finding.rule, finding.severity) == ("udf-file-entry", Severity.ERROR)
    assert not volume.is_complete


@pytest.mark.parametrize("strategy", [0, 1, 3, 5, 4097, 65535])
@pytest.mark.parametrize("size", [5000, None], ids=["file", "root"])
def test_a_strategy_that_no_system_follows_is_named(strategy: int, size: int | None) -> None:
    # ECMA-167 4/14.6.2; UDF 2.60, 2.3.5.1 allows 4 and 4096, and kernels refuse the file else.
    disc = Disc(FILES)
    lba = find_entry(disc, size) if size else find_root(disc)
    block = changed(disc.blocks[lba], lba - disc.start, 20, struct.pack("<H", strategy))
    disc.blocks[lba] = block
    volume, (finding,) = read(disc)
    assert (finding.rule, finding.severity) == ("udf-file-entry", Severity.ERROR)
    assert finding.where == ("/A.TXT" if size else "UDF root directory")
    assert str(strategy) in finding.message
    assert size_of(volume, "/A.TXT") == 5000  # it can be read all the same
    assert not volume.is_complete


@pytest.mark.parametrize("strategy", [4, CHAINED])
def test_strategies_that_systems_follow_are_not_named(strategy: int) -> None:
    disc = Disc(FILES)
    lba = find_entry(disc, 5000)
    block = changed(disc.blocks[lba], lba - disc.start, 20, struct.pack("<H", strategy))
    disc.blocks[lba] = block
    volume, findings = read(disc)
    assert (size_of(volume, "/A.TXT"), findings, volume.is_complete) == (5000, (), True)


def iter_chain(first: int, length: int) -> Iterator[bytes]:
    """Allocation descriptors in ``length`` blocks, each of which leads to the next."""
    for number in range(first, first + length):
        rows = struct.pack("<II", SECTOR, 0) * 240 + struct.pack(
            "<II", 3 << 30 | SECTOR, number + 1
        )
        yield tagged_bare(EXTENT_DESCRIPTOR, number, struct.pack("<II", 0, len(rows)) + rows).ljust(
            SECTOR, b"\0"
        )


def test_files_that_share_thousands_of_extents_are_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    """A disc of 9 MB took 2 GB and 46 seconds."""
    monkeypatch.setattr(space, "_MOST_IN_ALL", 10_000)
    disc = Disc({f"F{number:03}.TXT": b"x" for number in range(100)})
    extend_partition(disc, 21)
    first = len(disc.blocks) - disc.start
    disc.blocks += [*iter_chain(first, 20), bytes(SECTOR)]
    for lba, block in enumerate(disc.blocks):
        if block[:2] == struct.pack("<H", FILE_ENTRY) and block[27] == 5:
            body = changed(block, lba - disc.start, 56, struct.pack("<Q", 4000 * SECTOR))
            address = struct.pack("<II", 3 << 30 | SECTOR, first)
            disc.blocks[lba] = changed(body, lba - disc.start, 176, address)
    log = ProblemLog()
    volume = read_udf_volume(BytesView(close(disc).data), log)
    assert volume is not None
    assert [each.rule for each in log.findings()] == ["walk-bounded"]
    assert len(volume.entries) == 3  # of 4,000 extents each
    assert not volume.is_complete


def test_directories_that_share_their_records_are_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    """Records of deleted files count no entry, and hundreds of folders may have the same ones."""
    monkeypatch.setattr(tree, "_LARGEST_DIRECTORY", 1 << 18)
    disc = Disc({f"D{number:02}/X.TXT": b"x" for number in range(20)})
    body = struct.pack("<HBB", 1, 4, 1) + struct.pack("<II8x", SECTOR, 0) + b"\0\0\x08\0"
    record = tagged_bare(FILE_IDENTIFIER, 0, body + bytes(-len(body) % 4))
    records = record * (2000 * SECTOR // 20 // len(record))
    extend_partition(disc, -(-len(records) // SECTOR))
    first = len(disc.blocks) - disc.start
    disc.blocks += [
        records[at:][:SECTOR].ljust(SECTOR, b"\0") for at in range(0, len(records), SECTOR)
    ]
    folders = [
        lba for lba, block in enumerate(disc.blocks) if block[:2] == b"\x05\1" and block[27] == 4
    ]
    for lba in folders[1:]:  # all but the root
        entry = changed(disc.blocks[lba], lba - disc.start, 56, struct.pack("<Q", len(records)))
        address = struct.pack("<II", len(records), first)
        disc.blocks[lba] = changed(entry, lba - disc.start, 176, address)
    volume, findings = read(close(disc))
    assert {each.rule for each in findings} == {"walk-bounded"}
    assert 1 <= len(findings) < 20  # the first ones are read
    assert not volume.is_complete
