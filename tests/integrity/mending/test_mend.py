"""Mending: what comes out equals the original, or nothing comes out.

Results are compared with the original's bytes and its SHA-256 (hashlib), which has no
part in the mending. Blocks are small here, so that many fit into a small image.

Own behaviour throughout: no standard says how copies are put together.
"""

from __future__ import annotations

import bz2
import gzip
import hashlib
import lzma
from collections.abc import Callable, Sequence

import pytest
from msgspec.structs import replace

from mediashelf.errors import InputError
from mediashelf.findings import Severity
from mediashelf.integrity.fixity.reading import digest_file
from mediashelf.integrity.mending.mend import mend_image
from mediashelf.integrity.mending.values import How, MendOutcome
from mediashelf.integrity.structure.damage import Span
from mending_bench import (
    ANOTHER,
    BLOCK,
    BLOCKS,
    ORIGINAL,
    SECTOR,
    Bench,
    block,
    rules,
    spoil,
    zeroed,
)


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
    words = [finding.message for finding in result.findings]
    assert words == [f"{count} sectors of it hold zeros in place of data" for count in (5, 4)]
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
