"""Where ``mediashelf convert`` writes: nothing is replaced by accident, nothing half is left."""

from __future__ import annotations

import errno
import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from convert_runs import ISO, MODE_1, mixed_disc, partials, run
from made_library import TICK
from make_raw import spoil, write_disc
from mediashelf.errors import BlockedError, ConversionError, OutputError
from mediashelf.integrity.raw import convert
from mediashelf.integrity.raw.tracks import RawTrack


def test_existing_output_is_kept(tmp_path: Path) -> None:
    sheet, output = write_disc(tmp_path, MODE_1), tmp_path / "disc.iso"
    output.write_bytes(b"mine")
    result = run(sheet, "-o", output, code=OutputError.exit_code)
    assert "exists already" in result.stderr
    assert output.read_bytes() == b"mine"
    lost = write_disc(tmp_path, spoil(MODE_1, 30 * 2352 + 100, 4000), name="lost")
    run(lost, "-o", output, "--replace", code=BlockedError.exit_code)
    assert output.read_bytes() == b"mine"
    run(sheet, "-o", output, "--replace")
    assert output.read_bytes() == ISO


@pytest.mark.parametrize("name", ["kiosk.bin", "kiosk.cue", "link.iso"])
def test_source_is_never_the_output(tmp_path: Path, name: str) -> None:
    sheet = write_disc(tmp_path, MODE_1)
    (tmp_path / "link.iso").symlink_to("kiosk.bin")
    result = run(sheet, "-o", tmp_path / name, "--replace", code=ConversionError.exit_code)
    assert "is the source itself" in result.stderr
    assert (tmp_path / "kiosk.bin").read_bytes() == MODE_1


def test_file_of_another_track_is_never_the_output(tmp_path: Path) -> None:
    output = mixed_disc(tmp_path).with_name("second.bin")
    arguments = (tmp_path / "mixed.cue", "--track", "1", "-o", output, "--replace")
    run(*arguments, code=ConversionError.exit_code)
    assert output.read_bytes() == MODE_1


def test_full_disk_leaves_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    sheet = write_disc(tmp_path, MODE_1)

    def full(descriptor: int) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(os, "fsync", full)
    result = run(sheet, "-o", tmp_path / "disc.iso", code=OutputError.exit_code)
    assert "No space left" in result.stderr
    assert sorted(path.name for path in tmp_path.iterdir()) == ["kiosk.bin", "kiosk.cue"]


def test_device_is_never_replaced(tmp_path: Path) -> None:
    sheet, output = write_disc(tmp_path, MODE_1), tmp_path / "fifo"
    os.mkfifo(output)
    result = run(sheet, "-o", output, "--replace", code=OutputError.exit_code)
    assert "is not a regular file" in result.stderr
    assert output.is_fifo()


def test_dangling_link_is_never_replaced(tmp_path: Path) -> None:
    sheet, output = write_disc(tmp_path, MODE_1), tmp_path / "disc.iso"
    output.symlink_to(tmp_path / "unplugged" / "disc.iso")
    for options in ((), ("--replace",)):
        result = run(sheet, "-o", output, *options, code=OutputError.exit_code)
        assert "is a link to a file that is not there" in result.stderr
        assert output.is_symlink()
    assert sorted(path.name for path in tmp_path.iterdir()) == [
        "disc.iso",
        "kiosk.bin",
        "kiosk.cue",
    ]


def test_folder_that_is_not_there(tmp_path: Path) -> None:
    sheet = write_disc(tmp_path, MODE_1)
    run(sheet, "-o", tmp_path / "no" / "disc.iso", code=OutputError.exit_code)


def _grow(path: Path) -> None:
    with path.open("ab") as stream:
        stream.write(MODE_1[-2352:])


def _rewrite(path: Path) -> None:
    date = path.stat().st_mtime_ns + TICK
    with path.open("r+b") as stream:
        stream.write(MODE_1[:2352])
    os.utime(path, ns=(date, date))


@pytest.mark.parametrize("change", [_grow, _rewrite])
def test_a_source_that_is_written_meanwhile_is_not_converted(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, change: Callable[[Path], None]
) -> None:
    sheet, image = write_disc(tmp_path, MODE_1), tmp_path / "kiosk.bin"
    read = convert.read_converted

    def read_and_change(track: RawTrack, *rest: Any, **options: Any) -> Any:
        found = read(track, *rest, **options)
        change(image)
        return found

    monkeypatch.setattr(convert, "read_converted", read_and_change)
    result = run(sheet, "-o", tmp_path / "x.iso", code=ConversionError.exit_code)
    assert "kiosk.bin: changed while it was read; nothing was written" in result.stderr
    assert not (tmp_path / "x.iso").exists()
    assert partials(tmp_path) == []
    monkeypatch.undo()
    run(sheet, "-o", tmp_path / "x.iso", code=BlockedError.exit_code if change is _grow else 0)
