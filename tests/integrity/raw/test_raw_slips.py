"""Raw images with bytes missing or too many: what is lost, and where the rest is."""

from __future__ import annotations

from pathlib import Path

import pytest

from make_raw import flip, mode_1_image, noise, spoil, write_disc
from mediashelf.findings import Severity
from mediashelf.integrity.raw import alignment
from mediashelf.integrity.raw.convert import choose_track, convert_track
from mediashelf.integrity.raw.tracks import read_raw_disc
from raw_layouts import DATA, HEADED, LAYOUTS, MODE_1, SECTORS, audit, counts, rules


@pytest.mark.parametrize("kind", HEADED)
@pytest.mark.parametrize("count", [1, 5, 700])
@pytest.mark.parametrize("sector", [0, 100, 511, 512, SECTORS - 2])
def test_bytes_that_are_missing_or_too_many_cost_one_sector(
    tmp_path: Path, kind: str, count: int, sector: int
) -> None:
    """The next sync, 00 FF*10 00 (layout comment of uapi/linux/cdrom.h), tells where to go on."""
    pitch, image = len(LAYOUTS[kind]) // SECTORS, LAYOUTS[kind]
    for at in (sector * pitch + 5, sector * pitch + 1000):
        lost = image[:at] + image[at + count :]
        extra = image[:at] + b"\x5a" * count + image[at:]
        for changed, words in ((lost, "missing"), (extra, "too many")):
            report = audit(tmp_path, changed, kind)
            assert counts(report) == {"good": SECTORS - 1, "lost": 1}
            assert "track-cut-short" not in rules(report)
            (slip,) = (item for item in report.findings if item.rule == "sectors-in-step")
            assert (slip.severity, slip.where) == (
                Severity.WARNING,
                f"kiosk.bin, track 1, LBA {sector + 1}",
            )
            assert f"{count} byte{'s' if count > 1 else ''} {words}" in slip.message
            (run,) = report.tracks[0].runs
            assert (run.first_lba, run.count) == (sector, 1)


def test_not_more_than_so_many_slips_are_followed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(alignment, "MOST_SLIPS", 2)
    image = MODE_1
    for sector in (400, 300, 100):
        image = image[: sector * 2352 + 50] + image[sector * 2352 + 51 :]
    assert counts(audit(tmp_path, image)) == {"good": 398, "lost": 202}


def test_places_after_missing_bytes_are_those_in_the_file(tmp_path: Path) -> None:
    shifted = MODE_1[: 100 * 2352 + 50] + MODE_1[100 * 2352 + 57 :]
    damaged = spoil(shifted, 300 * 2352 - 7 + 100, 400)
    report = audit(tmp_path, damaged)
    assert [(run.first_lba, run.offset, run.size) for run in report.tracks[0].runs] == [
        (100, 100 * 2352, 2352),
        (300, 300 * 2352 - 7, 2352),
    ]


def test_bytes_missing_at_several_places_are_counted(tmp_path: Path) -> None:
    image = MODE_1
    for sector in (400, 300, 100):
        image = image[: sector * 2352 + 50] + image[sector * 2352 + 51 :]
    report = audit(tmp_path, image)
    assert counts(report) == {"good": SECTORS - 3, "lost": 3}
    (slip,) = (item for item in report.findings if item.rule == "sectors-in-step")
    assert "at 3 places" in slip.message


def test_a_track_with_missing_bytes_is_converted_in_its_length(tmp_path: Path) -> None:
    image = MODE_1[: 100 * 2352 + 50] + MODE_1[100 * 2352 + 51 :]
    disc = read_raw_disc(write_disc(tmp_path, image))
    output = tmp_path / "kiosk.iso"
    result = convert_track(disc, choose_track(disc), output, anyway=True, zero_lost=True)
    expected = DATA[: 100 * 2048] + bytes(2048) + DATA[101 * 2048 :]
    assert output.read_bytes() == expected
    assert result.size == len(expected)
    longer = MODE_1[: 100 * 2352 + 50] + b"x" + MODE_1[100 * 2352 + 50 :]
    disc = read_raw_disc(write_disc(tmp_path, longer))
    result = convert_track(
        disc, choose_track(disc), output, anyway=True, zero_lost=True, replace=True
    )
    assert output.read_bytes() == expected
    assert result.size == len(expected)


def test_a_sync_in_the_data_does_not_lead_astray(tmp_path: Path) -> None:
    """A raw sector kept as data, with the address that is looked for, beside a damaged sync."""
    decoy = MODE_1[50 * 2352 : 50 * 2352 + 16] + noise(2048 - 16, 3)
    data = DATA[: 50 * 2048] + decoy + DATA[51 * 2048 :]
    image = flip(mode_1_image(data), 50 * 2352 + 3)
    assert counts(audit(tmp_path, image)) == {"good": SECTORS - 1, "corrected": 1}
