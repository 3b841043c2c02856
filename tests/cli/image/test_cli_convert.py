"""``mediashelf convert``: what is written of a raw image, and what blocks it."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from convert_runs import ISO, MODE_1, SECTORS, mixed_disc, partials, run
from make_raw import (
    audio,
    flip,
    form_1_image,
    form_2_image,
    mode_1_image,
    noise,
    spoil,
    with_subchannel,
    without_headers,
    write_disc,
    write_sheet,
)
from mediashelf.errors import BlockedError, ConversionError, FormatError, InputError
from mediashelf.image import open_image

FORM_1 = form_1_image(ISO)


def run_json(*arguments: str | Path, code: int = 0) -> dict[str, Any]:
    document: dict[str, Any] = json.loads(run(*arguments, "--json", code=code).stdout)
    return document


@pytest.mark.parametrize(
    ("kind", "image"),
    [
        ("MODE1/2352", MODE_1),
        ("MODE1/2448", with_subchannel(MODE_1)),
        ("MODE2/2336", without_headers(FORM_1)),
        ("MODE2/2352", FORM_1),
        ("MODE2/2448", with_subchannel(FORM_1)),
        ("MODE1/2048", ISO),
    ],
)
def test_user_data_come_out_as_they_went_in(tmp_path: Path, kind: str, image: bytes) -> None:
    sheet = write_disc(tmp_path, image, kind)
    run(sheet, "-o", tmp_path / "sheet.iso")
    assert (tmp_path / "sheet.iso").read_bytes() == ISO
    if kind != "MODE1/2048":
        run(tmp_path / "kiosk.bin", "-o", tmp_path / "bare.iso")
        assert (tmp_path / "bare.iso").read_bytes() == ISO
    assert (tmp_path / "kiosk.bin").read_bytes() == image
    assert partials(tmp_path) == []


def test_written_image_is_one_that_can_be_read(tmp_path: Path) -> None:
    run(write_disc(tmp_path, flip(MODE_1, 16 * 2352 + 100)), "-o", tmp_path / "disc.iso")
    with open_image(tmp_path / "disc.iso") as image:
        assert image.findings == ()
        files = {file.path: file for file in image.facts.volumes[0].files}
        assert image.read_file(files["/README.TXT"], 100) == b"Tide tables"


def test_damage_is_put_right_in_the_new_file_only(tmp_path: Path) -> None:
    damaged = flip(MODE_1, 20 * 2352 + 700)
    damaged = spoil(damaged, 21 * 2352 + 40, 172)
    sheet = write_disc(tmp_path, damaged)
    result = run(sheet, "-o", tmp_path / "disc.iso")
    assert (tmp_path / "disc.iso").read_bytes() == ISO
    assert (tmp_path / "kiosk.bin").read_bytes() == damaged
    assert "corrected      2  LBA 20–21" in result.stdout
    assert "173 bytes put right in it; the source was not changed" in result.stdout
    assert "warning sector-corrected" in result.stdout
    run(sheet, "-o", tmp_path / "strict.iso", "--fail-on", "warning", code=1)


def test_lost_sectors_block(tmp_path: Path) -> None:
    sheet = write_disc(tmp_path, spoil(MODE_1, 30 * 2352 + 100, 4000))
    output = tmp_path / "disc.iso"
    result = run(sheet, "-o", output, code=BlockedError.exit_code)
    assert not output.exists()
    assert partials(tmp_path) == []
    assert "error sector-lost" in result.stdout
    assert "not written (2 lost sectors); --anyway writes it all the same" in result.stderr


def test_lost_sectors_as_they_stand_or_as_zeros(tmp_path: Path) -> None:
    damaged = spoil(MODE_1, 30 * 2352 + 100, 4000)
    sheet = write_disc(tmp_path, damaged)
    found, zeros = tmp_path / "found.iso", tmp_path / "zeros.iso"
    result = run(sheet, "-o", found, "--anyway", code=1)
    assert "2 lost sectors in it as they were found" in result.stdout
    result = run(sheet, "-o", zeros, "--anyway", "--zero-lost", code=1)
    assert "2 lost sectors in it as zeros" in result.stdout
    start, end = 30 * 2048, 32 * 2048
    expected = damaged[30 * 2352 + 16 :][:2048] + damaged[31 * 2352 + 16 :][:2048]
    assert found.read_bytes() == ISO[:start] + expected + ISO[end:]
    assert zeros.read_bytes() == ISO[:start] + bytes(4096) + ISO[end:]
    run(sheet, "-o", tmp_path / "calm.iso", "--anyway", "--fail-on", "never")


def test_zeros_without_anyway_is_wrong_usage(tmp_path: Path) -> None:
    run(write_disc(tmp_path, MODE_1), "-o", tmp_path / "x.iso", "--zero-lost", code=2)


def test_misplaced_sectors_block(tmp_path: Path) -> None:
    sheet = write_disc(tmp_path, MODE_1[: 40 * 2352] + MODE_1[41 * 2352 :])
    result = run(sheet, "-o", tmp_path / "disc.iso", code=BlockedError.exit_code)
    assert f"{SECTORS - 41} misplaced sectors" in result.stderr
    assert not (tmp_path / "disc.iso").exists()
    run(sheet, "-o", tmp_path / "disc.iso", "--anyway", code=1)
    assert (tmp_path / "disc.iso").read_bytes() == ISO[: 40 * 2048] + ISO[41 * 2048 :]


def test_sectors_of_form_2_do_not_fit(tmp_path: Path) -> None:
    film = noise(3 * 2324)
    sheet = write_disc(tmp_path, FORM_1 + form_2_image(film, first_lba=SECTORS), "MODE2/2352")
    document = run_json(sheet, "-o", tmp_path / "disc.iso", code=BlockedError.exit_code)
    [finding] = [item for item in document["findings"] if item["rule"] == "form-2-cut"]
    assert finding["message"].startswith("3 sectors of mode 2 form 2 hold 2,324 bytes")
    run(sheet, "-o", tmp_path / "disc.iso", "--anyway", code=1)
    kept = b"".join(film[start : start + 2048] for start in range(0, len(film), 2324))
    assert (tmp_path / "disc.iso").read_bytes() == ISO + kept
    # Form 2 that holds nothing there, as gaps do, loses nothing.
    gap = form_2_image(bytes(2048) + bytes(276), first_lba=SECTORS, with_edc=False)
    before = form_1_image(noise(SECTORS * 2048))
    run(write_disc(tmp_path, before + gap, "MODE2/2352"), "-o", tmp_path / "gap.iso")


def test_track_has_to_be_chosen(tmp_path: Path) -> None:
    sheet, output = mixed_disc(tmp_path), tmp_path / "disc.iso"
    refused = ConversionError.exit_code
    assert "tracks 1, 3 hold data; say --track" in run(sheet, "-o", output, code=refused).stderr
    result = run(sheet, "-o", output, "--track", "2", code=refused)
    assert "track 2 is audio" in result.stderr
    result = run(sheet, "-o", output, "--track", "7", code=refused)
    assert "there is no track 7; there are: 1, 2, 3" in result.stderr
    assert not output.exists()
    run(sheet, "-o", output, "--track", "1")
    assert output.read_bytes() == ISO


def test_disc_of_sound_alone(tmp_path: Path) -> None:
    sheet = write_disc(tmp_path, audio(30), "AUDIO")
    result = run(sheet, "-o", tmp_path / "x.iso", code=ConversionError.exit_code)
    assert "track 1 is audio; there is no data to convert" in result.stderr
    bare = run(tmp_path / "kiosk.bin", "-o", tmp_path / "x.iso", code=ConversionError.exit_code)
    assert "No sectors of data are recognised" in bare.stderr


def test_image_that_can_be_served_already(tmp_path: Path) -> None:
    (tmp_path / "disc.iso").write_bytes(ISO)
    result = run(tmp_path / "disc.iso", "-o", tmp_path / "x.iso", code=ConversionError.exit_code)
    assert "use it as it is" in result.stderr


def test_track_without_sectors(tmp_path: Path) -> None:
    sheet = write_disc(tmp_path, b"")
    result = run(sheet, "-o", tmp_path / "x.iso", code=ConversionError.exit_code)
    assert "has no sectors" in result.stderr


def test_sheet_errors(tmp_path: Path) -> None:
    sheet = write_sheet(tmp_path, "bad.cue", ["FILE x.bin BINARY", "TRACK 01 MODE3/2352"])
    result = run(sheet, "-o", tmp_path / "x.iso", code=FormatError.exit_code)
    assert f"{sheet}: line 2, column 10: track type is 'MODE3/2352'" in result.stderr
    run(tmp_path / "missing.cue", "-o", tmp_path / "x.iso", code=InputError.exit_code)


def test_json(tmp_path: Path) -> None:
    sheet = write_disc(tmp_path, spoil(flip(MODE_1, 3 * 2352 + 99), 50 * 2352 + 50, 900))
    document = run_json(sheet, "-o", tmp_path / "d.iso", "--anyway", "--parity", code=1)
    assert list(document) == [
        "command",
        "version",
        "source",
        "output",
        "is_written",
        "size",
        "track",
        "sectors",
        "bytes_corrected",
        "parity_read",
        "lost_as",
        "runs",
        "findings",
    ]
    assert (document["command"], document["version"]) == ("convert", 1)
    assert document["is_written"] is True
    assert document["size"] == len(ISO)
    assert document["track"] == {
        "number": 1,
        "type": "MODE1/2352",
        "file": str(tmp_path / "kiosk.bin"),
        "offset": 0,
        "first_lba": 0,
        "sector_count": SECTORS,
    }
    assert document["sectors"] == {
        "good": SECTORS - 2,
        "corrected": 1,
        "unchecked": 0,
        "misplaced": 0,
        "lost": 1,
    }
    assert document["bytes_corrected"] == 1
    assert document["runs"] == [
        {
            "verdict": "corrected",
            "reason": "",
            "first_lba": 3,
            "sector_count": 1,
            "offset": 3 * 2352,
            "size": 2352,
            "bytes_corrected": 1,
        },
        {
            "verdict": "lost",
            "reason": "more damage than the parity can correct",
            "first_lba": 50,
            "sector_count": 1,
            "offset": 50 * 2352,
            "size": 2352,
            "bytes_corrected": 0,
        },
    ]
    assert [item["rule"] for item in document["findings"]] == ["sector-corrected", "sector-lost"]


def test_json_of_what_was_not_written(tmp_path: Path) -> None:
    sheet = write_disc(tmp_path, spoil(MODE_1, 50 * 2352 + 50, 900))
    document = run_json(sheet, "-o", tmp_path / "d.iso", code=BlockedError.exit_code)
    assert document["is_written"] is False
    assert not (tmp_path / "d.iso").exists()


def test_quiet(tmp_path: Path) -> None:
    assert run(write_disc(tmp_path, MODE_1), "-q", "-o", tmp_path / "a.iso").output == ""
    damaged = write_disc(tmp_path, flip(MODE_1, 99), name="damaged")
    lines = run(damaged, "-q", "-o", tmp_path / "b.iso").stdout.splitlines()
    assert lines[0] == "warning sector-corrected"


def test_forty_columns(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "40")
    damaged = flip(MODE_1, *range(99, SECTORS * 2352, 2352 * 3))
    sheet = write_disc(tmp_path, spoil(damaged, 50 * 2352 + 50, 900))
    monkeypatch.chdir(tmp_path)
    result = run(sheet.name, "-o", "d.iso", "--anyway", code=1)
    assert max(map(len, result.stdout.splitlines())) <= 40


def test_names_cannot_steer_a_terminal(tmp_path: Path) -> None:
    name = "kio\x1b[31msk.bin"
    (tmp_path / name).write_bytes(flip(MODE_1, 99))
    result = run(tmp_path / name, "-o", tmp_path / "d\x1b]0;x.iso")
    assert "\x1b" not in result.output


def test_track_of_a_part_of_a_disc(tmp_path: Path) -> None:
    sheet = write_disc(tmp_path, mode_1_image(ISO, first_lba=5000))
    result = run(sheet, "-o", tmp_path / "disc.iso")
    assert "the track begins at LBA 5000" in " ".join(result.stdout.split())
    assert (tmp_path / "disc.iso").read_bytes() == ISO


def test_track_without_a_volume(tmp_path: Path) -> None:
    result = run(write_disc(tmp_path, mode_1_image(noise(90_000))), "-o", tmp_path / "disc.iso")
    assert "warning no-volume" in result.stdout


def test_cut_last_sector_is_filled(tmp_path: Path) -> None:
    sheet = write_disc(tmp_path, MODE_1[:-100])
    run(sheet, "-o", tmp_path / "disc.iso")
    assert (tmp_path / "disc.iso").read_bytes() == ISO
    plain = write_disc(tmp_path, ISO[:-100], "MODE1/2048", name="plain")
    run(plain, "-o", tmp_path / "plain.iso")
    assert (tmp_path / "plain.iso").stat().st_size == len(ISO)
