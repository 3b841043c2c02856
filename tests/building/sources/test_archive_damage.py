"""Archives as sources that are damaged, expand too far, or change: named, and never on a disc."""

from __future__ import annotations

import io
import os
import random
import struct
import time
import tracemalloc
import zipfile
from collections.abc import Callable
from functools import partial
from pathlib import Path

import pytest

from archive_plans import FILES, MIB, found, paths, planned
from build_trees import write_zip
from make_image import flip, put
from mediashelf.building.sources import wrapped
from mediashelf.building.writing.write import build_disc
from mediashelf.errors import BuildError, InputError
from mediashelf.findings import Severity
from mediashelf.trees.members import Bounds
from mediashelf.trees.opening import open_tree


def changed(archive: Path, place: Callable[[bytes], int], new: bytes) -> None:
    data = archive.read_bytes()
    archive.write_bytes(put(data, place(data), new))


def central(offset: int) -> Callable[[bytes], int]:
    return lambda data: data.rindex(b"PK\1\2") + offset


def local(offset: int) -> Callable[[bytes], int]:
    return lambda data: data.index(b"PK\3\4") + offset


@pytest.mark.parametrize(
    ("place", "new", "rule"),
    [
        (central(8), b"\1\0", "member-unreadable"),  # encrypted
        (central(10), b"\6\0", "member-unreadable"),  # imploded
        (central(10), b"\x63\0", "member-unreadable"),  # no known method
        (central(24), struct.pack("<I", 0x7FFFFFFF), "member-size-impossible"),
        (central(20), struct.pack("<I", 0x00FFFFFF), "members-overlap"),  # into the directory
    ],
)
def test_members_that_cannot_be_used_are_refused(
    tmp_path: Path, place: Callable[[bytes], int], new: bytes, rule: str
) -> None:
    archive = write_zip(tmp_path / "a.zip", {"A.SYS": b"driver " * 100})
    assert found(planned(archive), rule) == []  # the control
    changed(archive, place, new)
    plan = planned(archive)
    assert [finding.severity for finding in found(plan, rule)] == [Severity.ERROR]
    assert paths(plan) == []
    assert found(planned(archive, skip=("*.sys",)), rule) == []


def test_a_stored_member_has_one_size(tmp_path: Path) -> None:
    archive = write_zip(tmp_path / "a.zip", {"A": b"a" * 50}, method=zipfile.ZIP_STORED)
    changed(archive, central(24), struct.pack("<I", 49))
    assert len(found(planned(archive), "member-size-impossible")) == 1


def bomb(size: int, *, promised: int | None = None) -> bytes:
    """An archive of one member of ``size`` zeros, which promises ``promised`` bytes."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED, compresslevel=9) as archive:
        archive.writestr(zipfile.ZipInfo("BOMB"), bytes(size), zipfile.ZIP_DEFLATED)
    data = out.getvalue()
    if promised is not None:
        data = put(data, data.rindex(b"PK\1\2") + 24, struct.pack("<I", promised))
    return data


def test_honest_zeros_pass_up_to_the_allowance(tmp_path: Path) -> None:
    """A floppy image of zeros is no bomb, although it shrinks a thousandfold."""
    (tmp_path / "a.zip").write_bytes(bomb(1_474_560))
    build_disc(planned(tmp_path / "a.zip"), tmp_path / "disc.iso")
    assert (tmp_path / "disc.iso").stat().st_size > 1_474_560


def test_an_archive_that_expands_too_far_is_left_out(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    bounds = Bounds(least_bytes=1_000_000)
    monkeypatch.setattr(wrapped, "open_tree", partial(open_tree, bounds=bounds))
    (tmp_path / "a.zip").write_bytes(bomb(1_000_001))
    (finding,) = found(planned(tmp_path / "a.zip"), "archive-expands-too-far")
    assert "more than 1,000,000 bytes" in finding.message
    (tmp_path / "b.zip").write_bytes(bomb(1_000_000))
    assert found(planned(tmp_path / "b.zip"), "archive-expands-too-far") == []


def test_a_bomb_that_lies_about_its_size_is_stopped_early(tmp_path: Path) -> None:
    (tmp_path / "a.zip").write_bytes(bomb(200 * MIB, promised=600_000))
    plan = planned(tmp_path / "a.zip")
    assert plan.source_size == 600_000
    tracemalloc.start()
    started = time.perf_counter()
    with pytest.raises(BuildError, match="expands to more than its 600,000 bytes"):
        build_disc(plan, tmp_path / "disc.iso")
    assert time.perf_counter() - started < 2
    assert tracemalloc.get_traced_memory()[1] < 16 * MIB
    tracemalloc.stop()
    assert not (tmp_path / "disc.iso").exists()


def test_members_that_overlap_are_refused(tmp_path: Path) -> None:
    """As in bombs whose members all share one run of bytes."""
    data = write_zip(tmp_path / "a.zip", {"A": b"a" * 999, "B": b"b" * 999}).read_bytes()
    second = data.rindex(b"PK\1\2")
    (tmp_path / "a.zip").write_bytes(put(data, second + 42, struct.pack("<I", 0)))
    plan = planned(tmp_path / "a.zip")
    assert paths(plan) == ["/A"]
    assert len(found(plan, "members-overlap")) == 1


DAMAGES = {
    "data": (lambda data: data.index(b"PK\3\4") + 30 + 5 + 40, "CRC|cannot be expanded|bytes"),
    "crc": (central(16), "its CRC is"),
    "local name": (local(30), "another member"),
    "local method": (local(8), "another member"),
    "local signature": (local(0), "local header is"),
    "local encryption": (local(6), "another member"),
    "local extra": (local(29), "into the archive's directory"),
    "size": (central(24), "bytes, expected|expands to more"),
    "stored size": (central(20), "does not end where|cannot be expanded"),
}


@pytest.mark.parametrize("what", DAMAGES)
def test_damage_is_found_when_the_member_is_read(tmp_path: Path, what: str) -> None:
    place, message = DAMAGES[what]
    archive = write_zip(tmp_path / "a.zip", {"A.SYS": random.Random(1).randbytes(5000) * 2})
    build_disc(planned(archive), tmp_path / "control.iso")
    data = archive.read_bytes()
    at = place(data)
    changed_byte = data[at] ^ (1 if what not in ("data", "local extra") else 0xFF)
    archive.write_bytes(put(data, at, bytes([changed_byte])))
    with pytest.raises(BuildError, match=message) as caught:
        build_disc(planned(archive), tmp_path / "disc.iso")
    assert "a.zip:/A.SYS: " in str(caught.value)
    assert not (tmp_path / "disc.iso").exists()


def test_an_empty_member_must_be_empty(tmp_path: Path) -> None:
    """Nothing of it is written, so nobody else would notice."""
    archive = write_zip(tmp_path / "a.zip", {"A": b"not empty"})
    changed(archive, central(24), bytes(4))
    with pytest.raises(BuildError, match="expands to more than its 0 bytes"):
        build_disc(planned(archive), tmp_path / "disc.iso")


@pytest.mark.parametrize("what", ["touched", "cut", "gone", "folder"])
def test_an_archive_that_changed_since_the_plan_ends_the_build(tmp_path: Path, what: str) -> None:
    archive = write_zip(tmp_path / "a.zip", FILES)
    plan = planned(archive)
    if what == "touched":
        os.utime(archive, (1, 1))
    elif what == "cut":
        os.truncate(archive, 100)
    else:
        archive.unlink()
    if what == "folder":
        archive.mkdir()
    with pytest.raises(BuildError, match=r"a\.zip: "):
        build_disc(plan, tmp_path / "disc.iso")


def test_what_is_no_archive_is_an_input_error(tmp_path: Path) -> None:
    whole = write_zip(tmp_path / "whole.zip", {"A": b"a"}).read_bytes()
    (tmp_path / "text.zip").write_bytes(b"no archive")
    (tmp_path / "cut.zip").write_bytes(whole[:-5])
    os.mkfifo(tmp_path / "fifo.zip")
    split = put(whole, whole.rindex(b"PK\5\6") + 4, b"\1\0")
    (tmp_path / "split.zip").write_bytes(split)
    (tmp_path / "bad.zip").write_bytes(put(whole, whole.rindex(b"PK\5\6") + 16, b"\xff\xff\0\0"))
    for name, message in {
        "text": "neither a folder nor an image or archive",
        "cut": "is cut short",
        "fifo": "not a regular file",
        "split": "in several files",
        "bad": "is damaged",
        "missing": "no such folder, archive or image",
    }.items():
        with pytest.raises(InputError, match=message):
            planned(tmp_path / f"{name}.zip")


def test_a_directory_that_breaks_off_is_an_error_and_the_rest_is_there(tmp_path: Path) -> None:
    archive = write_zip(tmp_path / "a.zip", {"A": b"a", "B": b"b"})
    data = archive.read_bytes()
    archive.write_bytes(flip(data, data.rindex(b"PK\1\2")))
    plan = planned(archive)
    assert paths(plan) == ["/A"]
    (finding,) = found(plan, "source-unreadable")
    assert "its directory is damaged" in finding.message


def test_an_archive_with_too_many_members_is_cut_off(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(wrapped, "open_tree", partial(open_tree, bounds=Bounds(members=3)))
    plan = planned(write_zip(tmp_path / "a.zip", {str(number): b"" for number in range(4)}))
    assert paths(plan) == ["/0", "/1", "/2"]
    assert len(found(plan, "source-unreadable")) == 1
