"""Raw sectors: EDC, addresses, encoding, and the view of their user data."""

from __future__ import annotations

import hashlib

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from byte_views import BytesView
from make_raw import (
    encode_form_1,
    encode_form_2,
    flip,
    form_1_image,
    form_2_image,
    mode_1_image,
    noise,
    with_subchannel,
    without_headers,
)
from mediashelf.formats.raw.layout import HEAD_SIZE, begins_scrambled, detect_layout, scramble
from mediashelf.formats.raw.sectors import (
    ADDRESSES,
    EDC_OF_FORM_1,
    EDC_OF_FORM_2,
    EDC_OF_MODE_1,
    LAYOUTS,
    RAW_SIZE,
    SYNC,
    address_of,
    edc,
    encode_mode_1,
    have_headers,
    header_of,
    headers_of,
    lba_of,
    parse_header_lba,
)
from mediashelf.formats.raw.view import RawView


def slow_edc(data: bytes) -> int:
    """The EDC bit by bit from its polynomial (x^16+x^15+x^2+1)(x^16+x^2+x+1), lowest bit first."""
    remainder = 0
    for byte in data:
        remainder ^= byte
        for _ in range(8):
            remainder = remainder >> 1 ^ (0xD8018001 if remainder & 1 else 0)
    return remainder


def test_edc_has_the_published_check_value() -> None:
    # RevEng catalogue of CRC algorithms, CRC-32/CD-ROM-EDC: check 0x6ec2edc4, residue 0.
    assert edc(b"123456789") == 0x6EC2EDC4
    assert edc(b"123456789" + (0x6EC2EDC4).to_bytes(4, "little")) == 0


@settings(derandomize=True, deadline=None, max_examples=50)
@given(st.binary(max_size=300))
def test_edc_equals_the_polynomial_division(data: bytes) -> None:
    assert edc(data) == slow_edc(data)


def test_polynomial_is_the_product_of_its_factors() -> None:
    product = 0
    for shift in range(17):
        if 0x18005 >> shift & 1:  # x^16 + x^15 + x^2 + 1
            product ^= 0x10007 << shift  # x^16 + x^2 + x + 1
    assert product == 0x18001801B
    assert int(f"{product & 0xFFFFFFFF:032b}"[::-1], 2) == 0xD8018001


def test_sector_of_zeros_at_block_0() -> None:
    # Computed by us and cross-validated on 302 sectors that others made; not published.
    sector = encode_mode_1(bytes(2048), 0)
    assert sector[:16] == SYNC + bytes.fromhex("00020001")
    assert sector[2064:2068] == bytes.fromhex("C513682B")
    assert hashlib.sha256(sector).hexdigest() == (
        "b4f18ab66709c9b3fdef2721cc323e031b6728f3ca6c57b7c435c96189222250"
    )


def test_layout_of_each_form() -> None:
    # Linux kernel, uapi/linux/cdrom.h: 12 sync, 4 header, 8 subheader, 4 EDC, 8 zero, 276 ECC.
    data, long_data = noise(2048), noise(2324)
    mode_1, form_1 = encode_mode_1(data, 16), encode_form_1(data, 16)
    form_2, bare = encode_form_2(long_data, 16), encode_form_2(long_data, 16, with_edc=False)
    assert [len(sector) for sector in (mode_1, form_1, form_2, bare)] == [RAW_SIZE] * 4
    assert (mode_1[15], form_1[15], form_2[15]) == (1, 2, 2)
    assert mode_1[16:2064] == data
    assert mode_1[2068:2076] == bytes(8)
    assert form_1[16:24] == b"\0\0\x08\0" * 2
    assert form_1[24:2072] == data
    assert form_2[24:2348] == long_data
    assert edc(mode_1[EDC_OF_MODE_1]) == edc(form_1[EDC_OF_FORM_1]) == 0
    assert edc(form_2[EDC_OF_FORM_2]) == 0
    assert bare[2348:] == bytes(4)


@pytest.mark.parametrize("size", [0, 2047, 2049, 2324])
def test_wrong_amount_of_user_data_is_refused(size: int) -> None:
    with pytest.raises(ValueError, match=f"{size:,} bytes"):
        encode_mode_1(bytes(size), 0)


@pytest.mark.parametrize(
    ("lba", "header"),
    [
        (-150, "000000"),
        (-1, "000174"),
        (0, "000200"),  # Linux kernel, cdrom.h: CD_MSF_OFFSET 150; also Joliet, pg6
        (16, "000216"),  # the header of sector 16 of an image that others made
        (4350, "010000"),
        (333_000 - 1, "740174"),  # the last of 74 minutes
        (449_849, "995974"),
    ],
)
def test_header_is_the_address_in_binary_coded_decimal(lba: int, header: str) -> None:
    assert header_of(lba, 1) == bytes.fromhex(header) + b"\x01"
    assert parse_header_lba(bytes.fromhex(header)) == lba


@settings(derandomize=True, deadline=None)
@given(st.integers(-150, 449_849))
def test_address_and_block_number_are_two_forms_of_one(lba: int) -> None:
    minute, second, frame = address_of(lba)
    assert second < 60
    assert frame < 75
    assert lba_of(minute, second, frame) == lba
    assert parse_header_lba(header_of(lba, 2)) == lba


@pytest.mark.parametrize("lba", [-151, 449_850])
def test_block_without_an_address(lba: int) -> None:
    with pytest.raises(ValueError, match=str(lba)):
        header_of(lba, 1)


@pytest.mark.parametrize(
    "header", ["0a0000", "00a000", "006000", "000075", "00007f", "ffffff", "00", ""]
)
def test_header_without_an_address(header: str) -> None:
    assert parse_header_lba(bytes.fromhex(header)) is None


DATA = noise(20 * 2048)
STORED = {
    "MODE1/2048": DATA,
    "MODE1/2352": mode_1_image(DATA),
    "MODE1/2448": with_subchannel(mode_1_image(DATA)),
    "MODE2/2352": form_1_image(DATA),
    "MODE2/2448": with_subchannel(form_1_image(DATA)),
    "MODE2/2336": without_headers(form_1_image(DATA)),
}


@pytest.mark.parametrize("name", STORED)
def test_view_shows_the_user_data(name: str) -> None:
    view = RawView(BytesView(STORED[name]), LAYOUTS[name])
    assert view.size == len(DATA)
    assert view.read(0, len(DATA)) == DATA
    for offset, size in [
        (0, 1),
        (2047, 2),
        (5000, 9000),
        (len(DATA) - 3, 100),
        (len(DATA), 1),
        (7, 0),
    ]:
        assert view.read(offset, size) == DATA[offset : offset + size]


def test_view_of_a_part_of_a_file() -> None:
    stored = b"junk" + mode_1_image(DATA)
    view = RawView(BytesView(stored), LAYOUTS["MODE1/2352"], offset=4, sector_count=3)
    assert view.read(0, 1 << 20) == DATA[: 3 * 2048]
    assert view.read(-1, 5) == b""


@pytest.mark.parametrize(
    ("cut", "missing"),
    [
        (1, 0),
        (288, 0),
        (289, 1),
        (2335, 2047),
        (2336, 2048),
        (2352, 2048),
        (2640, 2048),
        (2641, 2049),
    ],
)
def test_view_of_a_last_sector_that_is_cut_short(cut: int, missing: int) -> None:
    view = RawView(BytesView(mode_1_image(DATA)[:-cut]), LAYOUTS["MODE1/2352"])
    assert view.size == len(DATA) - missing
    assert view.read(0, len(DATA)) == DATA[: view.size]


@pytest.mark.parametrize("name", [name for name in STORED if name != "MODE1/2048"])
def test_layout_is_recognised(name: str) -> None:
    assert detect_layout(STORED[name][:HEAD_SIZE]) == LAYOUTS[name]


@pytest.mark.parametrize("name", ["MODE1/2352", "MODE2/2448", "MODE2/2336"])
def test_layout_is_recognised_in_spite_of_damage(name: str) -> None:
    layout = LAYOUTS[name]
    damaged = flip(STORED[name], 0, 5, layout.size * 3 + 15, layout.size * 7)
    assert detect_layout(damaged) == layout


def test_image_of_plain_sectors_is_recognised_by_its_descriptors() -> None:
    plain = bytes(16 * 2048) + b"\x01CD001\x01" + bytes(2041)
    assert detect_layout(plain) == LAYOUTS["MODE1/2048"]


@pytest.mark.parametrize(
    "head",
    [b"", b"\0" * 9000, noise(50_000), SYNC, SYNC + b"\0\2\0", DATA[:30_000]],
    ids=["empty", "zeros", "noise", "sync alone", "cut header", "data"],
)
def test_no_layout_is_seen_where_there_is_none(head: bytes) -> None:
    assert detect_layout(head) is None


def test_single_sector_is_recognised() -> None:
    assert detect_layout(mode_1_image(b"x")) == LAYOUTS["MODE1/2352"]


def test_scrambler_is_the_shift_register() -> None:
    # ECMA-130 Annex B, from memory; computed from its polynomial x^15 + x + 1.
    sector = scramble(SYNC + bytes(2340))
    assert sector[12:44] == bytes.fromhex(
        "01 80 00 60 00 28 00 1E 80 08 60 06 A8 02 FE 81"
        "80 60 60 28 28 1E 9E 88 68 66 AE AA FC 7F 01 E0"
    )
    assert sector[:12] == SYNC


def test_scrambled_sector_is_proved_by_its_edc() -> None:
    sector = encode_mode_1(noise(2048), 1234)
    scrambled = scramble(sector)
    assert scrambled != sector
    assert scramble(scrambled) == sector
    assert begins_scrambled(scrambled)
    assert not begins_scrambled(sector)
    assert not begins_scrambled(flip(scrambled, 700))
    assert not begins_scrambled(scrambled[:-1])
    assert detect_layout(scrambled) is None


def test_form_2_of_a_mode_2_file_does_not_hide_its_layout() -> None:
    mixed = without_headers(form_1_image(DATA) + form_2_image(DATA, first_lba=20))
    assert detect_layout(mixed) == LAYOUTS["MODE2/2336"]


@pytest.mark.parametrize("lba", [-150, -1, 0, 74, 4350, 443_000, ADDRESSES - 150 - 3])
@pytest.mark.parametrize("count", [0, 1, 75, 512])
def test_headers_of_consecutive_blocks(lba: int, count: int) -> None:
    """After 99:59:74 two decimal digits of minutes begin again."""
    blocks = [(lba + 150 + number) % ADDRESSES - 150 for number in range(count)]
    assert headers_of(lba, count, 1) == [header_of(block, 1) for block in blocks]


@pytest.mark.parametrize("lba", [-150, -1, 0, 74, 4350, 443_000, ADDRESSES - 150 - 3])
@pytest.mark.parametrize("pitch", [2352, 2448])
def test_headers_are_compared_at_once_as_one_by_one(lba: int, pitch: int) -> None:
    """Each byte of a header counts, in each sector; a last one that is cut short as well."""
    headers = headers_of(lba, 200, 1)
    sectors = [bytearray(SYNC + header + bytes(pitch - 16)) for header in headers]
    assert have_headers(b"".join(sectors), pitch, lba, 1)
    assert have_headers(b"".join(sectors)[: -pitch + 16], pitch, lba, 1)
    assert not have_headers(b"".join(sectors), pitch, lba + 1, 1)
    assert not have_headers(b"".join(sectors), pitch, lba, 2)
    for index in (0, 1, 74, 75, 150, 199):
        for at in range(12, 16):
            sectors[index][at] ^= 1
            assert not have_headers(b"".join(sectors), pitch, lba, 1)
            sectors[index][at] ^= 1
