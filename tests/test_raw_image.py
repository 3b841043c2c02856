"""A raw data track is listed and read without being converted."""

from __future__ import annotations

from pathlib import Path

import pytest

from make_image import make_iso
from make_raw import flip, form_1_image, mode_1_image, noise, with_subchannel, without_headers
from mediashelf.formats.volume import DiscFacts, VolumeKind
from mediashelf.image import open_image

FILES = {"README.TXT": b"Tide tables", "DRIVERS/LKVX3.VXD": noise(300_000)}
ISO = make_iso(FILES, joliet=3, label="KIOSK").data
MODE_1, FORM_1 = mode_1_image(ISO), form_1_image(ISO)


def facts_of(path: Path) -> DiscFacts:
    with open_image(path) as image:
        return image.facts


def check_files(raw: Path) -> None:
    """Require that the raw sectors hold every file, and that nothing else is said of them."""
    with open_image(raw) as image:
        assert [finding.rule for finding in image.findings] == ["raw-sectors"]
        volume = image.facts.volume(VolumeKind.JOLIET)
        assert volume is not None
        for entry in volume.files:
            assert image.read_file(entry, 1 << 20) == FILES[entry.path[1:]]


@pytest.mark.parametrize(
    "stored",
    [MODE_1, with_subchannel(MODE_1), FORM_1, without_headers(FORM_1)],
    ids=["mode 1", "subchannel", "mode 2", "no headers"],
)
def test_volumes_and_files_are_those_of_the_plain_image(tmp_path: Path, stored: bytes) -> None:
    plain, raw = tmp_path / "disc.iso", tmp_path / "disc.bin"
    plain.write_bytes(ISO)
    raw.write_bytes(stored)
    facts = facts_of(raw)
    assert facts.volumes == facts_of(plain).volumes
    assert (facts.size, facts.looks_raw) == (len(stored), True)
    check_files(raw)


def test_damaged_structure_is_found_through_raw_sectors(tmp_path: Path) -> None:
    raw = tmp_path / "disc.bin"
    raw.write_bytes(flip(MODE_1, 16 * 2352 + 16 + 80))  # the volume's size
    with open_image(raw) as image:
        assert "both-orders-agree" in {finding.rule for finding in image.findings}


@pytest.mark.parametrize("surplus", [b"", b"!!"], ids=["missing", "too many"])
def test_bytes_missing_or_too_many_cost_no_structure(tmp_path: Path, surplus: bytes) -> None:
    """Before all descriptors and directories: in a sector that holds nothing."""
    plain, raw = tmp_path / "disc.iso", tmp_path / "disc.bin"
    plain.write_bytes(ISO)
    at = 3 * 2352 + 900
    raw.write_bytes(MODE_1[:at] + surplus + MODE_1[at + 1 :])
    facts = facts_of(raw)
    assert facts.volumes == facts_of(plain).volumes
    check_files(raw)


def test_raw_track_without_a_volume(tmp_path: Path) -> None:
    raw = tmp_path / "disc.bin"
    raw.write_bytes(mode_1_image(noise(100_000)))
    with open_image(raw) as image:
        assert image.facts.volumes == ()
        assert [finding.rule for finding in image.findings] == ["raw-sectors"]
