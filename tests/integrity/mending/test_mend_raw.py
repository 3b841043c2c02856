"""Mending of raw images: where copies differ, the EDC of each sector says which bytes are right.

Own behaviour; results are compared with the original's bytes.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import pytest

from make_raw import form_1_image, mode_1_image, noise, spoil, with_subchannel
from mediashelf.integrity.fixity.reading import digest_file
from mediashelf.integrity.fixity.values import FixityRecord
from mediashelf.integrity.mending.mend import mend_image
from mediashelf.integrity.mending.values import How, Mending, MendOutcome

PITCH = 2352
DATA = noise(500 * 2048, seed=6)
MODE_1 = mode_1_image(DATA)


def record_of(data: bytes, folder: Path) -> FixityRecord:
    path = folder / "original.bin"
    path.write_bytes(data)
    digests = digest_file(path)
    return FixityRecord(
        len(data), 0, digests.whole, digests.blocks, digests.block_size, "2026-01-01", "2026-01-01"
    )


def mend(
    folder: Path, files: Sequence[bytes], record: FixityRecord | None = None
) -> tuple[Mending, bytes | None]:
    paths = [folder / f"{name}.bin" for name in range(len(files))]
    for path, data in zip(paths, files, strict=True):
        path.write_bytes(data)
    output = folder / "mended.bin"
    result = mend_image(paths[0], paths[1:], output, record=record)
    return result, output.read_bytes() if result.is_written else None


@pytest.mark.parametrize("image", [MODE_1, form_1_image(DATA)], ids=["mode 1", "form 1"])
@pytest.mark.parametrize("has_record", [False, True], ids=["no record", "record"])
def test_two_copies_that_are_damaged_in_one_sector(
    tmp_path: Path, image: bytes, has_record: bool
) -> None:
    at = 120 * PITCH
    files = [spoil(image, at + 100, 900), spoil(image, at + 1200, 800)]
    record = record_of(image, tmp_path) if has_record else None
    result, mended = mend(tmp_path, files, record)
    assert mended == image
    assert {part.how for part in result.parts} == {How.EDC}
    assert result.outcome is (MendOutcome.PROVED if has_record else MendOutcome.VOTED)
    assert result.findings == ()
    assert [copy.given > 0 for copy in result.copies] == [False, True]


def test_edc_goes_before_a_majority(tmp_path: Path) -> None:
    wrong = spoil(MODE_1, 77 * PITCH + 300, 700)
    result, mended = mend(tmp_path, [wrong, wrong, MODE_1])
    assert mended == MODE_1
    assert {part.how for part in result.parts} == {How.EDC}


def test_edc_of_another_disc_proves_nothing_of_this_one(tmp_path: Path) -> None:
    """Its sector of the same address is good, and another one."""
    another = mode_1_image(noise(500 * 2048, seed=7))
    result, mended = mend(tmp_path, [spoil(MODE_1, 77 * PITCH + 16, 2000), another])
    assert mended is None
    assert result.outcome is MendOutcome.INCOMPLETE
    # The image's own good sectors stay; of the damaged one nothing is known.
    assert result.mended_spans == ()
    (span,) = result.open_spans
    assert 77 * PITCH - 2048 < span.offset <= 77 * PITCH + 16
    assert span.offset + span.length < 78 * PITCH + 2048


@pytest.mark.parametrize("is_half", [False, True], ids=["nothing to tell by", "half of it"])
def test_a_copy_that_may_be_of_another_disc_proves_nothing(tmp_path: Path, is_half: bool) -> None:
    """Sectors of zeros are in every disc, and half of the sampled ones are not most of them."""
    mine, its = (bytearray(500 * 2048), bytearray(500 * 2048))
    if is_half:
        for sector in range(500):
            kept = noise(2048, seed=sector)
            mine[sector * 2048 : (sector + 1) * 2048] = kept
            its[sector * 2048 : (sector + 1) * 2048] = (
                kept if sector < 250 else noise(2048, seed=1000 + sector)
            )
    its[77 * 2048 : 78 * 2048] = noise(2048, seed=99)
    image = spoil(mode_1_image(bytes(mine)), 77 * PITCH + 16, 2000)
    result, mended = mend(tmp_path, [image, mode_1_image(bytes(its))])
    assert mended is None
    assert (result.outcome, result.mended_spans) == (MendOutcome.INCOMPLETE, ())


def test_damage_of_the_same_bytes_stays_open(tmp_path: Path) -> None:
    at = 200 * PITCH + 100
    files = [spoil(MODE_1, at, 900), spoil(spoil(MODE_1, at, 900), at, 450)]
    result, mended = mend(tmp_path, files)
    assert mended is None
    assert result.outcome is MendOutcome.INCOMPLETE
    assert How.EDC not in {part.how for part in result.parts}


def test_what_no_edc_covers_is_voted_on(tmp_path: Path) -> None:
    """Bytes of the subchannel, and a plain image in which there is no EDC at all."""
    subchannel = with_subchannel(MODE_1)
    for image in (subchannel, DATA):
        files = [spoil(image, 100_000, 50), image, image]
        result, mended = mend(tmp_path, files)
        assert mended == image
        assert {part.how for part in result.parts} == {How.VOTED}
        (tmp_path / "mended.bin").unlink()


def test_scattered_damage_in_many_sectors(tmp_path: Path) -> None:
    files = [MODE_1, MODE_1]
    for number in range(5, 480, 25):
        files[number % 2] = spoil(files[number % 2], number * PITCH + 60, 1500)
        files[1 - number % 2] = spoil(files[1 - number % 2], number * PITCH + 1700, 500)
    result, mended = mend(tmp_path, files)
    assert mended == MODE_1
    assert result.open_spans == ()
