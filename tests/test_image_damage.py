"""Damaged and hostile images: every answer keeps its promises, and none can flood."""

from __future__ import annotations

import random
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

import image_parts as parts
from byte_views import BytesView
from image_parts import SECTOR
from make_image import Boot, MadeImage, make_iso
from mediashelf.formats.disc import read_disc
from mediashelf.formats.volume import VolumeFacts


@pytest.fixture(scope="module")
def rich() -> MadeImage:
    """A small disc with everything on it that the reader knows."""
    return make_iso(
        {
            "README.TXT": b"hello",
            "SETUP/DATA1.CAB": b"x" * 5000,
            "EMPTY/": b"",
            "A/B/C/D.TXT": b"",
            "BIG.BIN": bytes(range(256)) * 40,
            "LONG.TXT": b"a",
            **{f"MANY/FILE{number:03d}.TXT": b"." for number in range(60)},
        },
        label="EVERYTHING",
        joliet=3,
        enhanced=True,
        rock_ridge=True,
        long_names={"SETUP": "Set up files", "A/B": "bé", "LONG.TXT": "é" * 100},
        relocate=["A/B/C"],
        sections={"BIG.BIN": 4096},
        boot=Boot(b"b" * 2048, sections=[(0xEF, [b"e" * 3000])]),
        udf="NSR02",
    )


def used_sectors(image: MadeImage) -> list[int]:
    return [
        start
        for start in range(0, len(image.data), SECTOR)
        if any(image.data[start : start + SECTOR])
    ]


def check_promises(data: bytes) -> int:
    """Read damaged bytes; nothing may be raised, and values must be usable. Return findings."""
    disc = read_disc(BytesView(data))
    for finding in disc.findings:
        assert finding.message
        assert finding.where
        finding.as_dict()
    for volume in disc.facts.volumes:
        check_entries(volume)
    return len(disc.findings)


def check_entries(volume: VolumeFacts) -> None:
    seen_directories = {""}
    for entry in volume.entries:
        parent, _, name = entry.path.rpartition("/")
        assert parent in seen_directories
        assert name not in ("", ".", "..")
        assert entry.size >= 0
        entry.path.encode("utf-8")
        entry.identifier.encode("utf-8")
        if entry.is_directory:
            seen_directories.add(entry.path)


def test_the_control_has_every_volume_and_no_findings(rich: MadeImage) -> None:
    disc = read_disc(BytesView(rich.data))
    assert disc.findings == ()
    kinds = [volume.kind.value for volume in disc.facts.volumes]
    assert kinds == ["iso9660", "iso9660", "joliet", "rockridge", "udf"]
    assert {len(volume.entries) for volume in disc.facts.volumes} == {72, 73}
    assert disc.facts.boot is not None
    for volume in disc.facts.volumes:
        check_entries(volume)


def test_flipped_bytes(rich: MadeImage) -> None:
    chance, sectors = random.Random(1), used_sectors(rich)
    noticed = 0
    for _ in range(200):
        at = chance.choice(sectors) + chance.randrange(SECTOR)
        data = bytearray(rich.data)
        data[at] ^= 1 << chance.randrange(8)
        noticed += check_promises(bytes(data)) > 0
    assert noticed > 30


def mutations(image: MadeImage, seed: int, count: int) -> Iterator[bytes]:
    chance, sectors = random.Random(seed), used_sectors(image)
    for _ in range(count):
        data = bytearray(image.data)
        for _ in range(chance.choice((1, 1, 3, 10, 60))):
            sector = chance.choice(sectors)
            at = sector + chance.randrange(SECTOR - 8)
            kind = chance.randrange(6)
            if kind == 0:
                data[sector : sector + SECTOR] = bytes(SECTOR)
            elif kind == 1:
                other = chance.choice(sectors)
                data[sector : sector + SECTOR] = image.data[other : other + SECTOR]
            elif kind == 2:
                data[sector : sector + SECTOR] = chance.randbytes(SECTOR)
            elif kind == 3:
                data[at : at + 8] = parts.both32(chance.randrange(len(image.data) // SECTOR))
            elif kind == 4:
                data[at : at + 4] = b"\xff" * 4
            else:
                data[at] = chance.randrange(256)
        if chance.random() < 0.2:
            del data[chance.randrange(len(data)) :]
        yield bytes(data)


def test_mutated_images(rich: MadeImage) -> None:
    slowest = 0.0
    for data in mutations(rich, seed=2, count=150):
        started = time.perf_counter()
        check_promises(data)
        slowest = max(slowest, time.perf_counter() - started)
    assert slowest < 1


def test_a_hostile_image_can_not_flood(tmp_path: Path) -> None:
    """Every sector is a directory whose records all lead to other sectors of it."""
    blocks = 256
    record = parts.directory_record
    sectors = []
    for number in range(blocks):
        children = [
            record(b"D%07d" % child, (number * 7 + child) % blocks, blocks * SECTOR, flags=2)
            for child in range(40)
        ]
        sectors.append(parts.pack_records(children)[0][:SECTOR])
    made = make_iso({"A/": b""})
    data = made.data[: made.directory("/")] + b"".join(sectors)
    started = time.perf_counter()
    disc = read_disc(BytesView(data))
    assert time.perf_counter() - started < 2
    assert sum(len(volume.entries) for volume in disc.facts.volumes) <= blocks * 45
    assert len(disc.findings) < 1500


def test_a_chain_of_long_names_can_not_flood() -> None:
    """Directories inside each other with names of 200 bytes, as deep as the sectors allow."""
    made = make_iso({"A/": b""})
    start = made.directory("/") // SECTOR
    blocks = 1000
    sectors = [
        parts.pack_records(
            [
                parts.directory_record(b"N" * 200, start + number + 1, SECTOR, flags=2),
                *[parts.directory_record(b"%03d" % one, 0, 0) for one in range(40)],
            ]
        )[0]
        for number in range(blocks)
    ]
    data = made.data[: start * SECTOR] + b"".join(sectors)
    disc = read_disc(BytesView(data))
    assert "walk-bounded" in {finding.rule for finding in disc.findings}
    assert max(len(entry.path) for entry in disc.facts.volumes[0].entries) < 5000
