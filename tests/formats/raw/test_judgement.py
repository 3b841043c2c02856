"""Verdicts on single raw sectors: exact, and what was put right equal to the original."""

from __future__ import annotations

import random

import pytest

from make_raw import encode_form_1, encode_form_2, flip, noise, spoil
from mediashelf.formats.raw.judgement import JudgedSector, judge_sector
from mediashelf.formats.raw.parity import parity_of
from mediashelf.formats.raw.sectors import (
    RAW_SIZE,
    SYNC,
    SectorKind,
    encode_mode_1,
    header_of,
)
from mediashelf.formats.raw.verdicts import SectorVerdict

LBA = 4711
DATA = noise(2048, 20)
MODE_1 = encode_mode_1(DATA, LBA)
FORM_1 = encode_form_1(DATA, LBA)
FORM_2 = encode_form_2(noise(2324, 21), LBA)
FORM_2_BARE = encode_form_2(noise(2324, 21), LBA, with_edc=False)
HEADER = {1: header_of(LBA, 1), 2: header_of(LBA, 2)}


def judge(sector: bytes, mode: int = 1) -> JudgedSector:
    return judge_sector(sector, HEADER[mode])


@pytest.mark.parametrize(
    ("sector", "mode", "kind"),
    [
        (MODE_1, 1, SectorKind.MODE_1),
        (FORM_1, 2, SectorKind.FORM_1),
        (FORM_2, 2, SectorKind.FORM_2),
        (SYNC + header_of(LBA, 0) + bytes(2336), 1, SectorKind.EMPTY),
        (MODE_1, 2, SectorKind.MODE_1),  # the track's type is wrong, the sector is not
        (FORM_1, 1, SectorKind.FORM_1),
    ],
)
def test_good_sector(sector: bytes, mode: int, kind: SectorKind) -> None:
    assert judge(sector, mode) == JudgedSector(SectorVerdict.GOOD, kind, sector)


@pytest.mark.parametrize(
    "places",
    [
        (0,),  # sync
        (5, 11),
        (12,),  # address
        (15,),  # mode
        (12, 13, 14, 15),
        (16,),  # user data
        (2063,),
        (2064,),  # EDC
        (100, 2070),  # the zero field, with user data
        (100, 101),  # two codewords each way
        (100, 186),  # one P codeword
        (100, 188),  # one Q codeword
        (3, 14, 700, 1400, 2067),
    ],
)
def test_wrong_bytes_of_mode_1_are_put_right(places: tuple[int, ...]) -> None:
    judged = judge(flip(MODE_1, *places))
    assert judged == JudgedSector(SectorVerdict.CORRECTED, SectorKind.MODE_1, MODE_1, "", places)
    assert judged.user_data == DATA


@pytest.mark.parametrize(
    "places",
    [(0,), (16,), (18,), (22,), (24,), (2071,), (2072,), (24, 110), (3, 40, 41, 42)],
)
def test_wrong_bytes_of_form_1_are_put_right(places: tuple[int, ...]) -> None:
    judged = judge(flip(FORM_1, *places), mode=2)
    assert judged == JudgedSector(SectorVerdict.CORRECTED, SectorKind.FORM_1, FORM_1, "", places)
    assert judged.user_data == DATA


@pytest.mark.parametrize("start", [0, 5, 12, 16, 300, 1000, 1900, 2000, 2060])
@pytest.mark.parametrize("size", [16, 100, 172])
def test_burst_is_put_right(start: int, size: int) -> None:
    for sector, mode in ((MODE_1, 1), (FORM_1, 2)):
        if mode == 2 and start < 16:
            continue  # see below: the header of mode 2 is outside EDC and parity
        judged = judge(spoil(sector, start, size), mode)
        assert (judged.verdict, judged.sector) == (SectorVerdict.CORRECTED, sector)
        assert judged.changed == tuple(range(start, start + size))


def test_burst_over_the_header_of_form_1() -> None:
    # Whatever stands in the header then is no address, as here, or a wrong one: misplaced.
    judged = judge(flip(FORM_1, *range(172)), mode=2)
    assert (judged.verdict, judged.sector) == (SectorVerdict.CORRECTED, FORM_1)


def test_damaged_parity_alone_leaves_the_data_good() -> None:
    for place in (2076, 2200, 2351):
        judged = judge(flip(MODE_1, place))
        assert judged.verdict is SectorVerdict.GOOD
        assert judged.user_data == DATA


@pytest.mark.parametrize(
    ("sector", "mode", "reason"),
    [
        (spoil(MODE_1, 100, 400), 1, "more damage than the parity can correct"),
        (spoil(FORM_1, 100, 400), 2, "more damage than the parity can correct"),
        (flip(FORM_2, 100), 2, "EDC wrong, and form 2 has no parity"),
        (bytes(RAW_SIZE), 1, "only zeros"),
        (bytes(RAW_SIZE), 2, "only zeros"),
        (MODE_1[:16] + bytes(2336), 1, "only zeros"),
        (b"\xff" * RAW_SIZE, 1, "every byte is 0xff"),
        (MODE_1[:16] + b"\x55" * 2336, 1, "every byte is 0x55"),
        (noise(RAW_SIZE), 1, "no sync and no valid address: not a sector"),
        (noise(RAW_SIZE), 2, "no sync and no valid address: not a sector"),
        (
            encode_mode_1(DATA, LBA)[:2064] + b"EDC?" + bytes(284),
            1,
            "more damage than the parity can correct",
        ),
    ],
)
def test_lost_sector(sector: bytes, mode: int, reason: str) -> None:
    judged = judge(sector, mode)
    assert (judged.verdict, judged.reason) == (SectorVerdict.LOST, reason)
    assert judged.sector == sector
    assert judged.changed == ()
    assert len(judged.user_data) == 2048


def test_sector_that_was_written_with_a_wrong_edc_is_named() -> None:
    covered = MODE_1[12:2064] + b"EDC?" + bytes(8)
    judged = judge(SYNC + covered + parity_of(covered))
    assert judged.verdict is SectorVerdict.LOST
    assert judged.reason == "parity good but EDC wrong: it was written that way"


@pytest.mark.parametrize(
    ("distance", "reason"),
    [
        (1, "its address is that of 1 sector further on"),
        (-3, "its address is that of 3 sectors further back"),
    ],
)
def test_sector_of_another_place(distance: int, reason: str) -> None:
    for encode, mode in ((encode_mode_1, 1), (encode_form_1, 2)):
        sector = encode(DATA, LBA + distance)
        judged = judge(sector, mode)
        assert (judged.verdict, judged.reason) == (SectorVerdict.MISPLACED, reason)
        assert judged.sector == sector


def test_damaged_sector_of_another_place_is_put_right_and_still_misplaced() -> None:
    sector = encode_mode_1(DATA, LBA + 1)
    judged = judge(flip(sector, 500, 501))
    assert (judged.verdict, judged.sector) == (SectorVerdict.MISPLACED, sector)
    assert judged.changed == (500, 501)


def test_header_of_mode_2_that_is_no_address_is_plain_damage() -> None:
    # The EDC of mode 2 leaves the header out.
    judged = judge(flip(FORM_1, 13), mode=2)
    assert judged == JudgedSector(SectorVerdict.CORRECTED, SectorKind.FORM_1, FORM_1, "", (13,))


def test_form_2_without_edc_is_allowed_and_unchecked() -> None:
    judged = judge(FORM_2_BARE, mode=2)
    assert judged == JudgedSector(
        SectorVerdict.UNCHECKED, SectorKind.FORM_2, FORM_2_BARE, "form 2 without EDC"
    )
    # What cannot be proved is not called corrected either.
    assert judge(flip(FORM_2_BARE, 3), mode=2).verdict is SectorVerdict.UNCHECKED
    moved = encode_form_2(noise(2324), LBA + 2, with_edc=False)
    assert judge(moved, mode=2).verdict is SectorVerdict.MISPLACED


def test_form_2_without_edc_needs_a_sync_or_an_address() -> None:
    # Nothing else would tell it from bytes of another file.
    assert judge(flip(FORM_2_BARE, 3, 13), mode=2).verdict is SectorVerdict.LOST


@pytest.mark.parametrize("size", [2076, 2200, 2351])
def test_hole_that_ends_inside_a_sector_is_not_taken_for_zeros(size: int) -> None:
    # The EDC of zeros is zero, and what is left of the parity is from other data.
    for hole in (bytes(size), SYNC + HEADER[2] + bytes(size - 16)):
        judged = judge(hole + FORM_1[size:], mode=2)
        assert judged.verdict is SectorVerdict.LOST


def test_zeros_of_mode_2_prove_nothing() -> None:
    # The EDC of zeros is zero: a hole in a file without headers looks the same.
    judged = judge(SYNC + HEADER[2] + bytes(2336), mode=2)
    assert judged.verdict is SectorVerdict.UNCHECKED


@pytest.mark.parametrize(("sector", "mode"), [(MODE_1, 1), (FORM_1, 2)])
def test_single_wrong_byte_anywhere_never_yields_wrong_data(sector: bytes, mode: int) -> None:
    source = random.Random(mode)
    for place in range(RAW_SIZE):
        damaged = bytearray(sector)
        damaged[place] ^= source.randrange(1, 256)
        judged = judge(bytes(damaged), mode)
        in_header = mode == 2 and 12 <= place < 15
        assert judged.user_data == DATA
        assert judged.verdict is not SectorVerdict.LOST
        assert judged.verdict is not SectorVerdict.MISPLACED or in_header


def test_random_damage_never_yields_wrong_data_unnoticed() -> None:
    source = random.Random(99)
    verdicts = set()
    for number in range(150):
        sector, mode = (MODE_1, 1) if number % 2 else (FORM_1, 2)
        damaged = bytearray(sector)
        for place in source.sample(range(RAW_SIZE), source.randrange(1, 150)):
            damaged[place] ^= source.randrange(1, 256)
        judged = judge(bytes(damaged), mode)
        verdicts.add(judged.verdict)
        if judged.verdict in (SectorVerdict.GOOD, SectorVerdict.CORRECTED):
            assert judged.user_data == DATA
    assert verdicts >= {SectorVerdict.CORRECTED, SectorVerdict.LOST}


@pytest.mark.parametrize("mode", [0, 1, 3, 0x22])
def test_a_form_1_sector_of_another_mode_is_not_good(mode: int) -> None:
    # Own behaviour: outside mode 1 the EDC leaves the header out, so the mode is not covered.
    sector = FORM_1[:15] + bytes([mode]) + FORM_1[16:]
    judged = judge_sector(sector, header_of(LBA, 2))
    assert judged.verdict is SectorVerdict.CORRECTED
    assert judged.sector == FORM_1
    assert judged.changed == (15,)
