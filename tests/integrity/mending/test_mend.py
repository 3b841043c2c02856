"""Mending: what comes out equals the original, or nothing comes out.

Results are compared with the original's bytes and its SHA-256 (hashlib), which has no
part in the mending. Blocks are small here, so that many fit into a small image.

Own behaviour throughout: no standard says how copies are put together.
"""

from __future__ import annotations

import bz2
import errno
import gzip
import hashlib
import lzma
import os
import random
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from msgspec.structs import replace

from mediashelf.errors import InputError, OutputError
from mediashelf.file_view import FileView
from mediashelf.findings import Severity
from mediashelf.integrity.fixity.digests import Digests
from mediashelf.integrity.fixity.reading import digest_file
from mediashelf.integrity.fixity.values import FixityRecord
from mediashelf.integrity.mending import copies as mend_copies
from mediashelf.integrity.mending import mend
from mediashelf.integrity.mending.mend import mend_image
from mediashelf.integrity.mending.values import How, Mending, MendOutcome
from mediashelf.integrity.structure.damage import Span

SECTOR = 2048
BLOCK = 16 * SECTOR
BLOCKS = 12
ORIGINAL = random.Random(11).randbytes(BLOCKS * BLOCK - 5 * SECTOR - 700)
SECTORS = -(-len(ORIGINAL) // SECTOR)
ANOTHER = random.Random(12).randbytes(len(ORIGINAL))


def spoil(data: bytes, *sectors: int, by: int = 0x5A) -> bytes:
    """Change every byte of some sectors; another ``by`` gives other wrong bytes."""
    table = bytes(byte ^ by for byte in range(256))
    changed = bytearray(data)
    for sector in sectors:
        part = slice(sector * SECTOR, (sector + 1) * SECTOR)
        changed[part] = changed[part].translate(table)
    return bytes(changed)


def zeroed(data: bytes, *sectors: int) -> bytes:
    changed = bytearray(data)
    for sector in sectors:
        part = slice(sector * SECTOR, (sector + 1) * SECTOR)
        changed[part] = bytes(len(changed[part]))
    return bytes(changed)


def block(number: int, sector: int = 0) -> int:
    """The number of a sector of a block."""
    return number * BLOCK // SECTOR + sector


@dataclass
class Bench:
    """A folder with an image, its copies and a place for the result."""

    folder: Path

    @property
    def image(self) -> Path:
        return self.folder / "image.iso"

    @property
    def output(self) -> Path:
        return self.folder / "mended.iso"

    def record(self, data: bytes = ORIGINAL) -> FixityRecord:
        path = self.folder / "recorded"
        path.write_bytes(data)
        found = digest_file(path, block_size=BLOCK)
        path.unlink()
        return FixityRecord(found.size, 0, found.whole, found.blocks, BLOCK)

    def lay(self, image: bytes, copies: Iterable[bytes]) -> list[Path]:
        self.image.write_bytes(image)
        paths = []
        for number, data in enumerate(copies):
            paths.append(self.folder / f"copy{number}.iso")
            paths[-1].write_bytes(data)
        return paths

    def mend(
        self,
        image: bytes,
        *copies: bytes,
        record: FixityRecord | None = None,
        **options: Any,
    ) -> Mending:
        """Mend, and make sure that no source was touched and that no partial file is left."""
        paths = self.lay(image, copies)
        before = [(path.read_bytes(), path.stat().st_mtime_ns) for path in (self.image, *paths)]
        result = mend_image(self.image, paths, self.output, record=record, **options)
        after = [(path.read_bytes(), path.stat().st_mtime_ns) for path in (self.image, *paths)]
        assert before == after
        assert not [path for path in self.folder.iterdir() if path.name.startswith(".")]
        assert result.is_written == self.output.exists()
        return result

    def equals_original(self) -> bool:
        found = hashlib.sha256(self.output.read_bytes()).hexdigest()
        return found == hashlib.sha256(ORIGINAL).hexdigest()


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    return Bench(tmp_path)


def rules(result: Mending) -> set[str]:
    return {finding.rule for finding in result.findings}


def test_five_damaged_blocks_from_two_copies_damaged_elsewhere(bench: Bench) -> None:
    image = spoil(ORIGINAL, block(1), block(3, 5), block(4, 15), block(8), block(11, 2))
    first = spoil(ORIGINAL, block(1, 3), block(6), block(8, 9))
    second = spoil(ORIGINAL, block(3), block(10), block(11))
    result = bench.mend(image, first, second, record=bench.record())
    assert result.outcome is MendOutcome.PROVED
    assert bench.equals_original()
    assert [(part.span, part.how, part.sources) for part in result.parts] == [
        (Span(1 * BLOCK, BLOCK), How.COPY, (2,)),
        (Span(3 * BLOCK, 2 * BLOCK), How.COPY, (1,)),
        (Span(8 * BLOCK, BLOCK), How.COPY, (2,)),
        (Span(11 * BLOCK, len(ORIGINAL) - 11 * BLOCK), How.COPY, (1,)),
    ]
    assert [copy.given for copy in result.copies] == [0, 3, 2]
    assert [span.first_lba for span in result.mended_spans] == [
        block(1),
        block(3, 5),
        block(4, 15),
        block(8),
        block(11, 2),
    ]
    assert all(span.length == SECTOR for span in result.mended_spans)
    assert result.findings == ()


def lzma_alone(data: bytes) -> bytes:
    return lzma.compress(data, lzma.FORMAT_ALONE)


@pytest.mark.parametrize("compress", [gzip.compress, lzma.compress, bz2.compress, lzma_alone])
def test_what_a_compressed_copy_holds(bench: Bench, compress: Callable[[bytes], bytes]) -> None:
    image = spoil(ORIGINAL, block(1))
    result = bench.mend(image, compress(ORIGINAL), record=bench.record())
    assert result.outcome is MendOutcome.PROVED
    assert bench.equals_original()
    assert result.findings == ()


def test_a_compressed_image_is_mended_as_it_is(bench: Bench) -> None:
    packed = gzip.compress(ORIGINAL, mtime=0)
    result = bench.mend(spoil(packed, 3), packed, record=bench.record(packed))
    assert result.outcome is MendOutcome.PROVED
    assert bench.output.read_bytes() == packed


def test_a_compressed_copy_that_is_damaged_is_named(bench: Bench) -> None:
    cut = gzip.compress(ORIGINAL)[:-9000]
    with pytest.raises(InputError, match=r"copy0\.iso: .*gzip"):
        bench.mend(spoil(ORIGINAL, 3), cut, record=bench.record())


def test_nothing_to_mend(bench: Bench) -> None:
    result = bench.mend(ORIGINAL, spoil(ORIGINAL, 3), record=bench.record())
    assert (result.outcome, result.is_written) == (MendOutcome.AS_RECORDED, False)
    assert result.parts == ()
    assert result.copies[1].sampled == 0  # nobody asked it for anything


@pytest.mark.parametrize(
    ("in_image", "in_copy"),
    [
        ([2, 3, 4], [9, 10]),  # apart
        ([2, 3, 4], [5, 6]),  # side by side: no sector between them tells where to change
        ([0], [15]),
        ([1, 5, 9], [2, 6, 11]),  # in turns
        (range(8), range(8, 16)),  # every sector is wrong in one of them
    ],
)
def test_damage_in_the_same_block_but_different_sectors(
    bench: Bench, in_image: Sequence[int], in_copy: Sequence[int]
) -> None:
    image = spoil(ORIGINAL, *(block(5, sector) for sector in in_image))
    copy = spoil(ORIGINAL, *(block(5, sector) for sector in in_copy))
    result = bench.mend(image, copy, record=bench.record())
    assert result.outcome is MendOutcome.PROVED
    assert bench.equals_original()
    [part] = result.parts
    assert (part.how, part.sources) == (How.SECTORS, (1,))
    assert 0 < part.tried <= 1000
    assert part.possible == 2 ** (len(in_image) + len(in_copy))
    assert result.copies[1].given == len(in_image)


def test_sectors_of_three_copies(bench: Bench) -> None:
    """In one block each file has damage of its own, and each pair of them overlaps."""
    image = spoil(ORIGINAL, block(2, 1), block(2, 2), block(2, 3), by=1)
    first = spoil(ORIGINAL, block(2, 3), block(2, 4), block(2, 5), by=2)
    second = spoil(ORIGINAL, block(2, 5), block(2, 6), block(2, 1), by=3)
    result = bench.mend(image, first, second, record=bench.record())
    assert result.outcome is MendOutcome.PROVED
    assert bench.equals_original()
    assert [part.sources for part in result.parts] == [(1, 2)]


def test_damage_in_the_same_sector_is_refused(bench: Bench) -> None:
    image, copy = spoil(ORIGINAL, block(5, 7), by=1), spoil(ORIGINAL, block(5, 7), by=2)
    result = bench.mend(image, copy, record=bench.record())
    assert (result.outcome, result.is_written) == (MendOutcome.INCOMPLETE, False)
    [part] = result.parts
    assert (part.how, part.tried, part.possible) == (How.NOT_MENDED, 2, 2)
    [finding] = result.findings
    assert finding.rule == "block-can-be-mended"
    assert finding.severity is Severity.ERROR
    assert (finding.offset, finding.length) == (5 * BLOCK, BLOCK)
    assert "(all 2)" in finding.message
    assert result.open_spans == (Span(5 * BLOCK, BLOCK),)


def test_copies_with_the_same_damage_are_refused(bench: Bench) -> None:
    image = spoil(ORIGINAL, block(5, 7))
    result = bench.mend(image, image, image, record=bench.record())
    assert result.outcome is MendOutcome.INCOMPLETE
    assert "all files hold the same bytes" in result.findings[0].message


def test_anyway_writes_the_best_there_is(bench: Bench) -> None:
    image = spoil(ORIGINAL, block(5, 7), block(8), by=1)
    copy = spoil(ORIGINAL, block(5, 7), by=2)
    result = bench.mend(image, copy, record=bench.record(), anyway=True)
    assert (result.outcome, result.is_written) == (MendOutcome.INCOMPLETE, True)
    assert bench.output.read_bytes() == spoil(ORIGINAL, block(5, 7), by=1)
    assert "block-can-be-mended" in rules(result)


def test_tries_are_bounded_and_counted(bench: Bench) -> None:
    wrong = [block(5, sector) for sector in range(12)]
    image, copy = spoil(ORIGINAL, *wrong, by=1), spoil(ORIGINAL, *wrong, by=2)
    result = bench.mend(image, copy, record=bench.record(), tries=100)
    [part] = result.parts
    assert (part.tried, part.possible) == (100, 4096)
    assert "(100 of 4,096)" in result.findings[0].message
    assert "--tries" in result.findings[0].remedy
    assert bench.mend(image, copy, record=bench.record(), tries=0).parts[0].tried == 1


def test_tries_of_all_blocks_are_bounded_together(bench: Bench) -> None:
    record = bench.record()
    result = bench.mend(ANOTHER, spoil(ANOTHER, *range(200)), record=record, tries=50)
    assert len(result.parts) == BLOCKS
    assert sum(part.tried for part in result.parts) <= 50 * BLOCKS
    many = replace(record, block_size=SECTOR * 2)
    many = replace(many, blocks=digest_of(bench, many.block_size))
    result = bench.mend(ANOTHER, spoil(ANOTHER, *range(200)), record=many, tries=3)
    tried = [part.tried for part in result.parts]
    assert tried[:50] == [3] * 50
    assert set(tried[50:]) == {1}  # what costs nothing: the best guess


def digest_of(bench: Bench, block_size: int) -> bytes:
    path = bench.folder / "recorded"
    path.write_bytes(ORIGINAL)
    blocks = digest_file(path, block_size=block_size).blocks
    path.unlink()
    return blocks


def test_a_copy_of_another_image_is_not_used(bench: Bench) -> None:
    image = spoil(ORIGINAL, block(5, 7))
    alone = bench.mend(image, ANOTHER, record=bench.record())
    assert alone.outcome is MendOutcome.INCOMPLETE
    assert "copy-agrees" in rules(alone)
    assert (alone.copies[1].sampled, alone.copies[1].sampled_right) == (8, 0)
    result = bench.mend(image, ANOTHER, ORIGINAL, record=bench.record())
    assert result.outcome is MendOutcome.PROVED
    assert bench.equals_original()
    assert [part.sources for part in result.parts] == [(2,)]
    assert rules(result) == {"copy-agrees"}


def test_a_damaged_copy_is_not_called_another_image(bench: Bench) -> None:
    image, copy = spoil(ORIGINAL, block(5, 7), by=1), spoil(ORIGINAL, block(5, 7), by=2)
    result = bench.mend(image, copy, record=bench.record())
    assert "copy-agrees" not in rules(result)
    assert result.copies[1].sampled_right > 0


def test_the_last_block_counts_in_a_sample_although_it_is_shorter(bench: Bench) -> None:
    record = bench.record(ORIGINAL[: 2 * BLOCK + 500])
    image = spoil(ORIGINAL[: 2 * BLOCK + 500], 1, by=1)
    copy = spoil(ORIGINAL[: 2 * BLOCK + 500], 1, by=2)
    result = bench.mend(image, copy, record=record)
    assert (result.copies[1].sampled, result.copies[1].sampled_right) == (3, 2)


def test_another_image_than_the_recorded_one_is_noticed(bench: Bench) -> None:
    result = bench.mend(ANOTHER, ORIGINAL, record=bench.record())
    assert result.outcome is MendOutcome.PROVED
    assert bench.equals_original()
    assert rules(result) == {"image-agrees-with-record"}


@pytest.mark.parametrize("length", [0, 1, BLOCK, 3 * BLOCK + 5 * SECTOR + 9, len(ORIGINAL) - 1])
def test_a_truncated_image_gets_its_end_back(bench: Bench, length: int) -> None:
    result = bench.mend(ORIGINAL[:length], ORIGINAL, record=bench.record())
    assert result.outcome is MendOutcome.PROVED
    assert bench.equals_original()
    assert "copy-has-full-size" in rules(result)


@pytest.mark.parametrize("length", [0, 1, BLOCK, 5 * BLOCK + 3 * SECTOR + 9, len(ORIGINAL) - 1])
def test_a_truncated_copy_gives_what_it_has(bench: Bench, length: int) -> None:
    image = spoil(ORIGINAL, block(5, 1))
    result = bench.mend(image, ORIGINAL[:length], record=bench.record())
    is_there = length >= (block(5, 1) + 1) * SECTOR
    assert result.outcome is (MendOutcome.PROVED if is_there else MendOutcome.INCOMPLETE)
    assert result.is_written is is_there
    assert not is_there or bench.equals_original()


def test_what_is_past_the_end_is_left_out(bench: Bench) -> None:
    padded = ORIGINAL + bytes(5000)
    result = bench.mend(padded, record=bench.record())
    assert result.outcome is MendOutcome.PROVED
    assert bench.equals_original()
    assert rules(result) == {"copy-has-full-size"}
    bench.output.unlink()
    bench.mend(spoil(padded, block(11)), padded, record=bench.record())
    assert bench.equals_original()


def test_zeros_that_were_cut_off_need_no_copy(bench: Bench) -> None:
    """Images end in padding, and a copy that was cut there is made whole by the digest alone."""
    whole = ORIGINAL[: 5 * BLOCK + 100] + bytes(3 * BLOCK)
    record = bench.record(whole)
    result = bench.mend(whole[: 6 * BLOCK + 2 * SECTOR + 9], record=record)
    assert result.outcome is MendOutcome.PROVED
    assert bench.output.read_bytes() == whole
    assert result.copies[0].given == 2 * BLOCK // SECTOR - 2 + 1
    bench.output.unlink()
    result = bench.mend(whole[: 5 * BLOCK + 50], record=record)
    assert result.outcome is MendOutcome.INCOMPLETE


def test_two_truncated_files_that_end_in_the_same_block(bench: Bench) -> None:
    image = spoil(ORIGINAL[: block(9, 12) * SECTOR], block(9, 2))
    copy = ORIGINAL[: block(9, 7) * SECTOR]
    result = bench.mend(image, copy, record=bench.record())
    assert result.outcome is MendOutcome.INCOMPLETE
    assert result.parts[0].absent == 4
    assert "4 sectors are in none of the files" in result.findings[0].message
    rest = spoil(ORIGINAL, block(9, 1))
    result = bench.mend(image, copy, rest, record=bench.record())
    assert result.outcome is MendOutcome.PROVED
    assert bench.equals_original()


def test_empty_image(bench: Bench) -> None:
    result = bench.mend(b"", b"", record=bench.record(b""))
    assert result.outcome is MendOutcome.AS_RECORDED
    result = bench.mend(b"x" * 9, record=bench.record(b""))
    assert result.outcome is MendOutcome.PROVED
    assert bench.output.read_bytes() == b""


def test_dropouts_are_tried_last_and_told(bench: Bench) -> None:
    """Zeros in both files, in different sectors: data goes before zeros at the first try."""
    image = zeroed(ORIGINAL, *(block(5, sector) for sector in (1, 4, 6, 9, 11)))
    copy = zeroed(ORIGINAL, *(block(5, sector) for sector in (2, 5, 8, 12)))
    result = bench.mend(image, copy, record=bench.record())
    assert bench.equals_original()
    assert [part.tried for part in result.parts] == [1]
    assert [report.blank for report in result.copies] == [5, 4]
    assert rules(result) == {"copy-has-no-dropouts"}
    assert {finding.severity for finding in result.findings} == {Severity.NOTE}


def test_record_that_contradicts_itself(bench: Bench) -> None:
    record = replace(bench.record(), digests={"xxh3_128": "0" * 32})
    result = bench.mend(spoil(ORIGINAL, 3), ORIGINAL, record=record)
    assert (result.outcome, result.is_written) == (MendOutcome.INCOMPLETE, False)
    assert rules(result) == {"whole-as-recorded"}


def test_every_digest_on_record_is_proved(bench: Bench) -> None:
    record = bench.record()
    digests = {**record.digests, "sha256": hashlib.sha256(ORIGINAL).hexdigest()}
    result = bench.mend(spoil(ORIGINAL, 3), ORIGINAL, record=replace(record, digests=digests))
    assert result.outcome is MendOutcome.PROVED
    assert result.digests == digests
    digests = {**digests, "sha256": "0" * 64}
    bench.output.unlink()
    result = bench.mend(spoil(ORIGINAL, 3), ORIGINAL, record=replace(record, digests=digests))
    assert result.outcome is MendOutcome.INCOMPLETE


def test_record_without_blocks_proves_what_was_voted(bench: Bench) -> None:
    record = replace(bench.record(), blocks=b"")
    image, copy = spoil(ORIGINAL, 3), spoil(ORIGINAL, 40)
    result = bench.mend(image, copy, ORIGINAL, record=record)
    assert result.outcome is MendOutcome.PROVED
    assert bench.equals_original()
    assert result.findings == ()
    bench.output.unlink()
    result = bench.mend(image, image, ORIGINAL, record=record)
    assert result.outcome is MendOutcome.INCOMPLETE
    assert "whole-as-recorded" in rules(result)


def test_more_copies_are_used_only_with_a_record(bench: Bench) -> None:
    image = spoil(ORIGINAL, block(5, 7))
    [more] = bench.lay(image, [ORIGINAL])
    gone = bench.folder / "gone.iso"
    result = mend_image(
        bench.image, [], bench.output, record=bench.record(), more_copies=[gone, more]
    )
    assert result.outcome is MendOutcome.PROVED
    assert bench.equals_original()
    assert [report.path for report in result.copies] == [bench.image, more]
    assert rules(result) == {"copy-is-used"}
    unproved = mend_image(bench.image, [], None, more_copies=[more])
    assert unproved.outcome is MendOutcome.INCOMPLETE
    assert len(unproved.copies) == 1


def test_more_copies_do_not_outvote_the_image_in_a_guess(bench: Bench) -> None:
    image = spoil(ORIGINAL, block(5, 7))
    paths = bench.lay(image, [ANOTHER, ANOTHER])
    mend_image(bench.image, [], bench.output, record=bench.record(), more_copies=paths, anyway=True)
    assert bench.output.read_bytes() == image


def test_dry_run_writes_nothing(bench: Bench) -> None:
    [copy] = bench.lay(spoil(ORIGINAL, 3), [ORIGINAL])
    result = mend_image(bench.image, [copy], None, record=bench.record())
    assert (result.outcome, result.is_written) == (MendOutcome.PROVED, False)
    assert result.digests == bench.record().digests
    assert sorted(bench.folder.iterdir()) == [copy, bench.image]


def test_progress_counts_the_result_and_its_reading_back(bench: Bench) -> None:
    counts: list[int] = []
    bench.mend(spoil(ORIGINAL, 3), ORIGINAL, record=bench.record(), on_bytes=counts.append)
    assert sum(counts) == 2 * len(ORIGINAL)


def test_raw_sectors_have_no_logical_blocks(bench: Bench) -> None:
    raw = b"".join(
        b"\x00" + b"\xff" * 10 + b"\x00" + bytes([0, 2, at % 75, 1]) + ORIGINAL[:2336]
        for at in range(200)
    )
    result = bench.mend(spoil(raw, 90), record=bench.record(raw))
    assert result.in_bytes
    assert result.findings[0].where.startswith("bytes 163,840–196,607")
    plain = bench.mend(spoil(ORIGINAL, block(5, 7)), raw, record=bench.record())
    [stranger] = [each for each in plain.findings if each.rule == "copy-agrees"]
    assert "convert" in stranger.remedy


# Reading.


class FailingView(FileView):
    """A file on a disk that has lost some sectors."""

    lost: frozenset[int] = frozenset()

    def read(self, offset: int, size: int) -> bytes:
        if any(offset < (at + 1) * SECTOR and at * SECTOR < offset + size for at in self.lost):
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        return super().read(offset, size)


def lose(monkeypatch: pytest.MonkeyPatch, lost: dict[str, list[int]]) -> None:
    def failing(path: Path) -> FileView:
        descriptor = os.open(path, os.O_RDONLY | getattr(os, "O_BINARY", 0))
        view = FailingView(descriptor, path.stat().st_size)
        view.lost = frozenset(lost.get(path.name, ()))
        return view

    monkeypatch.setattr(mend_copies, "open_view", failing)


def test_sectors_that_cannot_be_read_come_from_others(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    lose(monkeypatch, {"image.iso": [block(5, 7), block(5, 8)], "copy0.iso": [block(5, 2)]})
    result = bench.mend(ORIGINAL, ORIGINAL, record=bench.record())
    assert result.outcome is MendOutcome.PROVED
    assert bench.equals_original()
    assert [report.unreadable for report in result.copies] == [2, 1]
    assert rules(result) == {"copy-is-readable"}


def test_sectors_that_no_file_gives(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    lose(monkeypatch, {"image.iso": [block(5, 7)], "copy0.iso": [block(5, 7)]})
    result = bench.mend(ORIGINAL, ORIGINAL, record=bench.record(), anyway=True)
    assert result.outcome is MendOutcome.INCOMPLETE
    assert bench.output.read_bytes() == zeroed(ORIGINAL, block(5, 7))
    assert "1 sector is in none of the files" in result.findings[0].message


def test_what_cannot_be_read_is_counted_once(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    lose(monkeypatch, {"image.iso": [3], "copy0.iso": [3]})
    result = bench.mend(ORIGINAL, ORIGINAL, record=bench.record())
    assert result.outcome is MendOutcome.INCOMPLETE
    assert result.copies[1].sampled == 8
    assert [report.unreadable for report in result.copies] == [1, 1]


def test_unreadable_and_cut_in_one_block(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    lose(monkeypatch, {"image.iso": [block(5, 2)]})
    result = bench.mend(ORIGINAL[: block(5, 7) * SECTOR + 9], ORIGINAL, ORIGINAL)
    assert result.outcome is MendOutcome.VOTED
    assert bench.equals_original()
    assert [(span.first_lba, span.last_lba) for span in result.mended_spans] == [
        (block(5, 2), block(5, 2)),
        (block(5, 7), SECTORS - 1),
    ]


def test_unreadable_sectors_have_no_vote(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    lose(monkeypatch, {"image.iso": [40], "copy0.iso": [90], "copy1.iso": [90]})
    result = bench.mend(ORIGINAL, ORIGINAL, ORIGINAL)
    assert result.outcome is MendOutcome.INCOMPLETE
    assert [(part.span.first_lba, part.how, part.sources) for part in result.parts] == [
        (40, How.VOTED, (1, 2)),
        (90, How.UNDECIDED, (0,)),
    ]


# Voting.


def test_vote_of_three(bench: Bench) -> None:
    image = spoil(ORIGINAL, 3, 4, 100)
    first, second = spoil(ORIGINAL, 5, 150), spoil(ORIGINAL, 60)
    result = bench.mend(image, first, second)
    assert result.outcome is MendOutcome.VOTED
    assert bench.equals_original()
    assert [
        (part.span.first_lba, part.span.last_lba, part.how, part.sources) for part in result.parts
    ] == [
        (3, 4, How.VOTED, (1, 2)),
        (5, 5, How.VOTED, (0, 2)),
        (60, 60, How.VOTED, (0, 1)),
        (100, 100, How.VOTED, (1, 2)),
        (150, 150, How.VOTED, (0, 2)),
    ]
    assert [span.first_lba for span in result.mended_spans] == [3, 100]
    assert rules(result) == {"bytes-proved"}
    assert {finding.severity for finding in result.findings} == {Severity.WARNING}
    assert all("not proved" in finding.message for finding in result.findings)


def test_tie_is_refused(bench: Bench) -> None:
    image, first = spoil(ORIGINAL, 3, by=1), spoil(ORIGINAL, 3, by=2)
    result = bench.mend(image, first, ORIGINAL)
    assert (result.outcome, result.is_written) == (MendOutcome.INCOMPLETE, False)
    assert [(part.span, part.how) for part in result.parts] == [
        (Span(3 * SECTOR, SECTOR), How.UNDECIDED)
    ]
    assert rules(result) == {"bytes-decided"}
    four = bench.mend(image, image, ORIGINAL, ORIGINAL)
    assert four.outcome is MendOutcome.INCOMPLETE
    five = bench.mend(image, image, ORIGINAL, ORIGINAL, ORIGINAL)
    assert five.outcome is MendOutcome.VOTED
    assert bench.equals_original()


def test_two_files_cannot_outvote_each_other(bench: Bench) -> None:
    result = bench.mend(spoil(ORIGINAL, 3), ORIGINAL)
    assert result.outcome is MendOutcome.INCOMPLETE
    best = bench.mend(zeroed(ORIGINAL, 3), spoil(ORIGINAL, 70), anyway=True)
    assert best.outcome is MendOutcome.INCOMPLETE
    assert bench.output.read_bytes() == ORIGINAL  # data before zeros, then the image


def test_equal_files_have_nothing_to_mend(bench: Bench) -> None:
    result = bench.mend(ORIGINAL, ORIGINAL, ORIGINAL)
    assert (result.outcome, result.is_written) == (MendOutcome.UNCHANGED, False)
    assert result.findings == ()
    won = bench.mend(ORIGINAL, spoil(ORIGINAL, 3), ORIGINAL)
    assert (won.outcome, won.is_written) == (MendOutcome.UNCHANGED, False)


def test_zeros_that_win_are_told(bench: Bench) -> None:
    result = bench.mend(zeroed(ORIGINAL, 3), zeroed(ORIGINAL, 3), ORIGINAL)
    assert result.outcome is MendOutcome.UNCHANGED
    assert rules(result) == {"bytes-proved", "data-wins-over-zeros"}


def test_vote_on_size(bench: Bench) -> None:
    padded = ORIGINAL + bytes(3000)
    result = bench.mend(padded, ORIGINAL, ORIGINAL)
    assert result.outcome is MendOutcome.VOTED
    assert bench.equals_original()
    bench.output.unlink()
    short = ORIGINAL[: 90 * SECTOR + 100]
    result = bench.mend(short, ORIGINAL, ORIGINAL)
    assert result.outcome is MendOutcome.VOTED
    assert bench.equals_original()
    bench.output.unlink()
    result = bench.mend(short, padded, ORIGINAL)
    assert result.outcome is MendOutcome.INCOMPLETE
    assert "size-decided" in rules(result)


def test_a_cut_sector_has_no_voice(bench: Bench) -> None:
    cut = ORIGINAL[: 90 * SECTOR + 100]
    result = bench.mend(ORIGINAL, ORIGINAL, cut, cut, anyway=True)
    assert "size-decided" in rules(result)
    assert result.parts == ()
    assert bench.equals_original()


def test_a_voice_alone_and_a_dispute_are_told_apart(bench: Bench) -> None:
    result = bench.mend(ORIGINAL, spoil(ORIGINAL, 49)[: 50 * SECTOR])
    assert [(part.span.first_lba, part.disputed) for part in result.parts] == [
        (49, True),
        (50, False),
    ]
    messages = [each.message for each in result.findings if each.rule == "bytes-decided"]
    assert "disagree" in messages[0]
    assert "only one of the files" in messages[1]


def test_a_file_counts_once_under_any_name(bench: Bench) -> None:
    image = spoil(ORIGINAL, 3)
    bench.lay(image, [ORIGINAL])
    copy, link, hard = (bench.folder / name for name in ("copy0.iso", "link.iso", "hard.iso"))
    link.symlink_to(copy)
    hard.hardlink_to(copy)
    result = mend_image(bench.image, [copy, link, hard, bench.image], bench.output)
    assert result.outcome is MendOutcome.INCOMPLETE
    assert len(result.copies) == 2
    assert [each.where for each in result.findings if each.rule == "copy-is-used"] == [
        str(link),
        str(hard),
        str(bench.image),
    ]


def test_copies_of_another_image_do_not_replace_this_one(bench: Bench) -> None:
    result = bench.mend(ORIGINAL, ANOTHER, ANOTHER)
    assert (result.outcome, result.is_written) == (MendOutcome.INCOMPLETE, False)
    assert "image-agrees-with-copies" in rules(result)
    result = bench.mend(spoil(ORIGINAL, 3), ORIGINAL, ORIGINAL, ANOTHER)
    assert result.outcome is MendOutcome.INCOMPLETE  # two of four are no majority
    result = bench.mend(spoil(ORIGINAL, 3), ORIGINAL, ANOTHER, ORIGINAL, ORIGINAL)
    assert result.outcome is MendOutcome.VOTED
    assert bench.equals_original()
    assert [each.where for each in result.findings if each.rule == "copy-agrees"] == [
        str(bench.folder / "copy1.iso")
    ]


def test_scattered_votes_take_bounded_memory(bench: Bench) -> None:
    """Every second sector differs: parts stay few, and say what they cover."""
    image = spoil(ORIGINAL, *range(90, 187, 2))
    result = bench.mend(image, ORIGINAL, ORIGINAL)
    assert bench.equals_original()
    bench.output.unlink()
    assert len(result.parts) == 1
    assert result.parts[0].changed == (result.parts[0].span,)
    result = bench.mend(spoil(image, 3), spoil(ORIGINAL, *range(91, 187, 2)), ORIGINAL, anyway=True)
    assert [(part.how, part.sources) for part in result.parts] == [(How.VOTED, ())]
    assert "most files agree" in result.findings[0].message


# The output.


@pytest.mark.parametrize("how", ["itself", "symlink", "hardlink"])
def test_output_is_never_a_source(bench: Bench, how: str) -> None:
    image = spoil(ORIGINAL, 3)
    [copy] = bench.lay(image, [ORIGINAL])
    for source, options in ((bench.image, {}), (copy, {}), (copy, {"replace": True})):
        output = source
        if how != "itself":
            output = bench.folder / "other.iso"
            output.unlink(missing_ok=True)
            (output.symlink_to if how == "symlink" else output.hardlink_to)(source)
        with pytest.raises(OutputError, match=r"is the image itself|is one of the copies"):
            mend_image(bench.image, [copy], output, record=bench.record(), **options)
    assert bench.image.read_bytes() == image
    assert copy.read_bytes() == ORIGINAL


def decayed(bench: Bench, image: bytes, copy: bytes) -> tuple[list[Path], FixityRecord]:
    paths = bench.lay(image, [copy])
    return paths, replace(bench.record(), mtime_ns=bench.image.stat().st_mtime_ns)


def test_replace_puts_a_proved_result_in_the_images_place(bench: Bench) -> None:
    paths, record = decayed(bench, spoil(ORIGINAL, 3), ORIGINAL)
    bench.image.chmod(0o640)
    link = bench.folder / "link.iso"
    link.symlink_to("image.iso")
    result = mend_image(bench.image, paths, link, record=record, replace=True)
    assert (result.outcome, result.is_written) == (MendOutcome.PROVED, True)
    assert bench.image.read_bytes() == ORIGINAL
    assert bench.image.stat().st_mode & 0o777 == 0o640
    assert link.is_symlink()


def test_nothing_unproved_takes_the_images_place(bench: Bench) -> None:
    image = spoil(ORIGINAL, 3, by=1)
    paths, record = decayed(bench, image, spoil(ORIGINAL, 3, by=2))
    result = mend_image(bench.image, paths, bench.image, record=record, replace=True)
    assert (result.outcome, result.is_written) == (MendOutcome.INCOMPLETE, False)
    for options in (
        {"record": record, "anyway": True},
        {"record": None},
        {"record": replace(record, mtime_ns=record.mtime_ns - 1)},
    ):
        with pytest.raises(OutputError, match="name another file"):
            mend_image(bench.image, paths, bench.image, replace=True, **options)
    assert bench.image.read_bytes() == image


def test_existing_output_is_kept_until_there_is_a_better_one(bench: Bench) -> None:
    [copy] = bench.lay(spoil(ORIGINAL, 3), [ORIGINAL])
    bench.output.write_bytes(b"mine")
    with pytest.raises(OutputError, match="exists already"):
        mend_image(bench.image, [copy], bench.output, record=bench.record())
    bench.lay(spoil(ORIGINAL, 3), [spoil(ORIGINAL, 3)])
    mend_image(bench.image, [copy], bench.output, record=bench.record(), replace=True)
    assert bench.output.read_bytes() == b"mine"
    bench.lay(spoil(ORIGINAL, 3), [ORIGINAL])
    mend_image(bench.image, [copy], bench.output, record=bench.record(), replace=True)
    assert bench.output.read_bytes() == ORIGINAL


def test_output_must_be_a_file(bench: Bench) -> None:
    [copy] = bench.lay(spoil(ORIGINAL, 3), [ORIGINAL])
    fifo = bench.folder / "fifo"
    os.mkfifo(fifo)
    with pytest.raises(OutputError, match="not a regular file"):
        mend_image(bench.image, [copy], fifo, record=bench.record(), replace=True)
    with pytest.raises(OutputError, match="there is no folder"):
        mend_image(bench.image, [copy], bench.folder / "no" / "x.iso", record=bench.record())


def test_full_disk_leaves_nothing(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    [copy] = bench.lay(spoil(ORIGINAL, 3), [ORIGINAL])
    record = bench.record()

    def full(descriptor: int) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OutputError, match="No space left"):
        mend_image(bench.image, [copy], bench.output, record=record)
    assert sorted(bench.folder.iterdir()) == [copy, bench.image]


def test_what_was_written_is_read_past_the_cache(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    if not hasattr(os, "posix_fadvise"):
        pytest.skip("this system cannot be asked")
    asked: list[int] = []
    monkeypatch.setattr(os, "posix_fadvise", lambda *given: asked.append(given[3]))
    bench.mend(spoil(ORIGINAL, 3), ORIGINAL, record=bench.record())
    assert os.POSIX_FADV_DONTNEED in asked


def test_what_reads_back_otherwise_gets_no_name(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    [copy] = bench.lay(spoil(ORIGINAL, 3), [ORIGINAL])
    record = bench.record()

    def lying(path: Path, **options: Any) -> Digests:
        path.write_bytes(spoil(path.read_bytes(), 50))
        return digest_file(path, **options)

    monkeypatch.setattr(mend, "digest_file", lying)
    with pytest.raises(OutputError, match="does not read back as it was written"):
        mend_image(bench.image, [copy], bench.output, record=record)
    assert sorted(bench.folder.iterdir()) == [copy, bench.image]


def test_sources_must_be_files(bench: Bench) -> None:
    [copy] = bench.lay(ORIGINAL, [ORIGINAL])
    for wrong in (bench.folder, bench.folder / "gone.iso"):
        with pytest.raises(InputError):
            mend_image(wrong, [copy], bench.output)
        with pytest.raises(InputError):
            mend_image(bench.image, [wrong], bench.output)
    assert not bench.output.exists()


# Any damage at all.

damage = st.lists(st.tuples(st.integers(0, SECTORS - 1), st.integers(1, 6)), max_size=6).map(
    lambda runs: {
        sector for first, count in runs for sector in range(first, min(first + count, SECTORS))
    }
)
kept_sizes = st.one_of(st.just(len(ORIGINAL)), st.integers(0, len(ORIGINAL)))


@dataclass
class Sick:
    """A file with damage of its own, so that no two files are wrong in the same way."""

    wrong: set[int]
    blank: set[int]
    size: int
    by: int

    @cached_property
    def data(self) -> bytes:
        return zeroed(spoil(ORIGINAL, *self.wrong, by=self.by), *self.blank)[: self.size]

    def sector(self, number: int) -> bytes | None:
        end = min((number + 1) * SECTOR, len(ORIGINAL))
        return self.data[number * SECTOR : end] if self.size >= end else None


def true_sector(number: int) -> bytes:
    return ORIGINAL[number * SECTOR : (number + 1) * SECTOR]


def sick(by: int) -> st.SearchStrategy[Sick]:
    return st.builds(Sick, damage, damage, kept_sizes, st.just(by))


@settings(
    derandomize=True,
    deadline=None,
    max_examples=200,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(st.tuples(sick(1), sick(2), sick(3)))
def test_what_is_proved_is_the_original_and_what_can_be_is(
    tmp_path: Path, files: tuple[Sick, Sick, Sick]
) -> None:
    bench = Bench(tmp_path)
    bench.output.unlink(missing_ok=True)
    result = bench.mend(*(file.data for file in files), record=bench.record(), tries=300)
    held = [{file.sector(number) for file in files} - {None} for number in range(SECTORS)]
    can_be = possible_within = True
    for first in range(0, SECTORS, BLOCK // SECTOR):
        choices = 1
        for number in range(first, min(first + BLOCK // SECTOR, SECTORS)):
            can_be &= true_sector(number) in held[number]
            choices *= max(len(held[number]), 1)
        possible_within &= choices <= 300
    if result.is_written:
        assert result.outcome is MendOutcome.PROVED
        assert bench.equals_original()
        assert can_be
    elif result.outcome is MendOutcome.AS_RECORDED:
        assert files[0].data == ORIGINAL
    else:
        assert result.outcome is MendOutcome.INCOMPLETE
        assert not (can_be and possible_within)


@settings(
    derandomize=True,
    deadline=None,
    max_examples=150,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(st.tuples(damage, damage, damage))
def test_a_vote_is_right_wherever_two_of_three_are(
    tmp_path: Path, wrong: tuple[set[int], set[int], set[int]]
) -> None:
    bench = Bench(tmp_path)
    bench.output.unlink(missing_ok=True)
    files = [spoil(ORIGINAL, *sectors, by=by) for by, sectors in enumerate(wrong, start=1)]
    result = bench.mend(*files, anyway=True)
    first, second, third = wrong
    undecided = (first & second) | (first & third) | (second & third)
    contested = first | second | third
    if first:
        expected = MendOutcome.INCOMPLETE if undecided else MendOutcome.VOTED
    else:
        expected = MendOutcome.INCOMPLETE if undecided else MendOutcome.UNCHANGED
    assert result.outcome is expected
    told = {
        sector
        for part in result.parts
        for sector in range(part.span.first_lba, part.span.last_lba + 1)
    }
    assert contested <= told
    if result.is_written:
        written = bench.output.read_bytes()
        differ = {
            number
            for number in range(SECTORS)
            if written[number * SECTOR : (number + 1) * SECTOR] != true_sector(number)
        }
        assert differ <= undecided
