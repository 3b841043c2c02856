"""Make raw images for tests: sectors of every kind, and damage that is certain."""

from __future__ import annotations

import random
from collections.abc import Iterable
from pathlib import Path

from mediashelf.formats.raw.parity import parity_of
from mediashelf.formats.raw.sectors import (
    FORM_2_SIZE,
    RAW_SIZE,
    SYNC,
    edc,
    encode_mode_1,
    header_of,
)
from mediashelf.formats.volume import SECTOR_SIZE

_SUBCHANNEL_SIZE = 96


def noise(size: int, seed: int = 1) -> bytes:
    """Return bytes that look random and are the same every time."""
    return random.Random(seed).randbytes(size)


def split(data: bytes, size: int = SECTOR_SIZE) -> list[bytes]:
    """Return ``data`` in sectors, the last one filled with zeros."""
    return [data[start : start + size].ljust(size, b"\0") for start in range(0, len(data), size)]


def encode_form_1(data: bytes, lba: int, *, subheader: bytes = b"\x00\x00\x08\x00") -> bytes:
    """Return the raw sector of mode 2 form 1 for 2048 bytes of user data.

    The parity takes the four header bytes as zeros. ``subheader`` is file, channel,
    submode and coding; it is recorded twice.
    """
    assert len(data) == SECTOR_SIZE
    covered = subheader * 2 + data
    body = covered + edc(covered).to_bytes(4, "little")
    return SYNC + header_of(lba, 2) + body + parity_of(bytes(4) + body)


def encode_form_2(
    data: bytes, lba: int, *, subheader: bytes = b"\x00\x00\x28\x00", with_edc: bool = True
) -> bytes:
    """Return the raw sector of mode 2 form 2 for 2324 bytes of user data; its EDC is optional."""
    assert len(data) == FORM_2_SIZE
    covered = subheader * 2 + data
    check = edc(covered) if with_edc else 0
    return SYNC + header_of(lba, 2) + covered + check.to_bytes(4, "little")


def mode_1_image(data: bytes, *, first_lba: int = 0) -> bytes:
    """Return ``data`` in raw sectors of mode 1."""
    return b"".join(encode_mode_1(part, first_lba + lba) for lba, part in enumerate(split(data)))


def form_1_image(data: bytes, *, first_lba: int = 0) -> bytes:
    """Return ``data`` in raw sectors of mode 2 form 1."""
    return b"".join(encode_form_1(part, first_lba + lba) for lba, part in enumerate(split(data)))


def form_2_image(data: bytes, *, first_lba: int = 0, with_edc: bool = True) -> bytes:
    """Return ``data`` in raw sectors of mode 2 form 2, 2324 bytes each."""
    parts = split(data, FORM_2_SIZE)
    return b"".join(
        encode_form_2(part, first_lba + lba, with_edc=with_edc) for lba, part in enumerate(parts)
    )


def without_headers(image: bytes) -> bytes:
    """Return 2352-byte sectors as 2336-byte ones: sync and header left out."""
    return b"".join(
        image[start + 16 : start + RAW_SIZE] for start in range(0, len(image), RAW_SIZE)
    )


def with_subchannel(image: bytes, seed: int = 7) -> bytes:
    """Return 2352-byte sectors as 2448-byte ones, with noise for the subchannel."""
    source = random.Random(seed)
    return b"".join(
        image[start : start + RAW_SIZE] + source.randbytes(_SUBCHANNEL_SIZE)
        for start in range(0, len(image), RAW_SIZE)
    )


def audio(sector_count: int, seed: int = 3) -> bytes:
    """Return noise in the size of audio sectors."""
    return noise(sector_count * RAW_SIZE, seed)


def flip(data: bytes, *places: int) -> bytes:
    """Return ``data`` with every bit of the bytes at ``places`` turned over."""
    changed = bytearray(data)
    for place in places:
        changed[place] ^= 0xFF
    return bytes(changed)


def spoil(data: bytes, start: int, size: int, seed: int = 5) -> bytes:
    """Return ``data`` with ``size`` bytes from ``start`` changed, every one of them."""
    source = random.Random(seed)
    changed = bytearray(data)
    for place in range(start, start + size):
        changed[place] ^= source.randrange(1, 256)
    return bytes(changed)


def write_sheet(folder: Path, name: str, lines: Iterable[str]) -> Path:
    """Write a cue sheet and return its path."""
    path = folder / name
    path.write_text("".join(f"{line}\n" for line in lines), encoding="utf-8")
    return path


def write_disc(folder: Path, image: bytes, kind: str = "MODE1/2352", name: str = "kiosk") -> Path:
    """Write one data track with its sheet, and return the sheet's path."""
    (folder / f"{name}.bin").write_bytes(image)
    return write_sheet(
        folder,
        f"{name}.cue",
        [f'FILE "{name}.bin" BINARY', f"  TRACK 01 {kind}", "    INDEX 01 00:00:00"],
    )
