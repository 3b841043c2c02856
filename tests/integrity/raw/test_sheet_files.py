"""The files that a cue sheet names: found as people write them, refused outside the folder."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from make_raw import write_disc, write_sheet
from mediashelf.errors import FormatError, InputError
from mediashelf.findings import Severity
from mediashelf.formats.raw.cue_words import LONGEST_SHEET
from mediashelf.integrity.raw.auditing import audit_raw
from mediashelf.integrity.raw.scan import iter_batches
from mediashelf.integrity.raw.tracks import read_raw_disc
from raw_layouts import MODE_1


@pytest.mark.parametrize(("count", "more"), [(5, ""), (6, " and 1 more")])
def test_names_that_are_there_are_shown_up_to_five(tmp_path: Path, count: int, more: str) -> None:
    for number in range(count):
        (tmp_path / f"a{number}").touch()
    (tmp_path / "a0").rename(tmp_path / "a0.cue")  # the sheet is one of them
    sheet = tmp_path / "a0.cue"
    sheet.write_text('FILE "gone.bin" BINARY\n TRACK 01 MODE1/2352\n  INDEX 01 00:00:00\n')
    with pytest.raises(InputError) as caught:
        read_raw_disc(sheet)
    assert str(caught.value).endswith(f"'a4'{more}")


def test_a_sheet_is_read_up_to_its_longest_size(tmp_path: Path) -> None:
    sheet = write_disc(tmp_path, MODE_1)
    text = sheet.read_bytes()
    sheet.write_bytes(text.ljust(LONGEST_SHEET, b"\n"))
    assert len(read_raw_disc(sheet).tracks) == 1
    with sheet.open("r+b") as file:
        file.truncate(1 << 40)  # sparse: read whole it would fill the memory
    with pytest.raises(FormatError) as caught:
        read_raw_disc(sheet)
    assert caught.value.found == LONGEST_SHEET + 1


def sheet_naming(folder: Path, name: str) -> Path:
    return write_sheet(
        folder, "s.cue", [f'FILE "{name}" BINARY', "TRACK 01 MODE1/2352", "INDEX 01 00:00:00"]
    )


@pytest.mark.parametrize(
    ("written", "stored"),
    [
        ("Kiosk.BIN", "kiosk.bin"),
        ("./kiosk.bin", "kiosk.bin"),
        ("raw\\kiosk.bin", "raw/kiosk.bin"),
        ("RAW/Kiosk.bin", "raw/kiosk.bin"),
        ("Su\u0308d.bin", "S\u00fcd.bin"),
    ],
)
def test_file_is_found_as_people_write_it(tmp_path: Path, written: str, stored: str) -> None:
    (tmp_path / stored).parent.mkdir(exist_ok=True)
    (tmp_path / stored).write_bytes(MODE_1[:2352])
    disc = read_raw_disc(sheet_naming(tmp_path, written))
    assert disc.tracks[0].path == tmp_path / stored


@pytest.mark.parametrize(
    "name",
    [
        "../kiosk.bin",
        "..\\kiosk.bin",
        "raw/../../kiosk.bin",
        "C:\\discs\\..",
        "C:\\",
        "C:",
        "..",
        ".",
        "/",
    ],
)
def test_name_that_leaves_the_folder_is_refused(tmp_path: Path, name: str) -> None:
    folder = tmp_path / "sheets"
    (folder / "raw").mkdir(parents=True)
    for place in (tmp_path, folder):
        (place / "kiosk.bin").write_bytes(MODE_1[:2352])
    with pytest.raises(FormatError, match="beside the sheet") as caught:
        read_raw_disc(sheet_naming(folder, name))
    assert caught.value.at == f"{folder / 's.cue'}: line 1, column 6"


@pytest.mark.parametrize(
    "name",
    [
        "C:\\discs\\KIOSK.BIN",
        "d:/discs/kiosk.bin",
        "c:kiosk.bin",
        "\\kiosk.bin",
        "\\\\server\\discs\\kiosk.bin",
        "/home/harbour/discs/kiosk.bin",
    ],
)
def test_path_from_a_root_is_the_file_beside_the_sheet(tmp_path: Path, name: str) -> None:
    (tmp_path / "kiosk.bin").write_bytes(MODE_1)
    disc = read_raw_disc(sheet_naming(tmp_path, name))
    assert disc.tracks[0].path == tmp_path / "kiosk.bin"
    (note,) = disc.findings
    assert (note.rule, note.severity) == ("sheet-names-folder", Severity.NOTE)
    assert note.where == "s.cue, line 1"
    assert note.message == f"the sheet names {name}; kiosk.bin beside the sheet was read"


def test_path_from_a_root_without_its_file_beside_the_sheet(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"line 1, column 6: there is no 'kiosk\.bin'"):
        read_raw_disc(sheet_naming(tmp_path, "C:\\discs\\kiosk.bin"))
    with pytest.raises(InputError, match=r"line 1, column 6: there is no 'hostname'"):
        read_raw_disc(sheet_naming(tmp_path, "/etc/hostname"))


def test_link_that_leaves_the_folder_is_refused(tmp_path: Path) -> None:
    folder = tmp_path / "sheets"
    folder.mkdir()
    (tmp_path / "kiosk.bin").write_bytes(MODE_1[:2352])
    (folder / "kiosk.bin").symlink_to(tmp_path / "kiosk.bin")
    with pytest.raises(FormatError, match="beside the sheet"):
        read_raw_disc(sheet_naming(folder, "kiosk.bin"))


def test_missing_file_is_named_with_what_is_there(tmp_path: Path) -> None:
    (tmp_path / "other.bin").touch()
    with pytest.raises(InputError, match=r"line 1, column 6: there is no 'kiosk\.bin'.*other\.bin"):
        read_raw_disc(sheet_naming(tmp_path, "kiosk.bin"))


def test_two_files_that_differ_in_case(tmp_path: Path) -> None:
    for name in ("kiosk.bin", "KIOSK.bin"):
        (tmp_path / name).write_bytes(MODE_1[:2352])
    if len(list(tmp_path.iterdir())) < 2:
        pytest.skip("the file system does not tell case apart")
    assert read_raw_disc(sheet_naming(tmp_path, "KIOSK.bin")).tracks[0].path.name == "KIOSK.bin"
    with pytest.raises(InputError, match="may be any of"):
        read_raw_disc(sheet_naming(tmp_path, "Kiosk.bin"))


@pytest.mark.parametrize("name", ["folder", "fifo", "missing", "folder.cue", "missing.cue", "a\0b"])
def test_what_is_no_file_is_an_input_error(tmp_path: Path, name: str) -> None:
    (tmp_path / "folder").mkdir()
    (tmp_path / "folder.cue").mkdir()
    os.mkfifo(tmp_path / "fifo")
    with pytest.raises(InputError):
        audit_raw(tmp_path / name)


def test_sheet_that_names_itself_a_fifo_or_a_folder(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "fifo")
    (tmp_path / "folder").mkdir()
    for name in ("fifo", "folder"):
        with pytest.raises(InputError, match="not a regular file"):
            read_raw_disc(sheet_naming(tmp_path, name))


def test_sheet_error_names_the_sheet_and_the_place(tmp_path: Path) -> None:
    sheet = write_sheet(tmp_path, "bad.cue", ["FILE x BINARY", "TRACK 01 MODE9/2352"])
    with pytest.raises(FormatError) as caught:
        audit_raw(sheet)
    assert caught.value.at == f"{sheet}: line 2, column 10"


def test_file_that_shrinks_is_an_input_error(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "disc.bin"
    path.write_bytes(MODE_1)
    (track,) = read_raw_disc(path).tracks
    batches = iter_batches(track, 0)
    next(batches)
    os.truncate(path, 5000)
    with pytest.raises(InputError, match="shorter"):
        list(batches)
