"""Gaps of zeros: found where a failed read leaves them, and nowhere else.

That failed reads leave zeros is common practice; the limits are our own.
"""

from __future__ import annotations

import gzip
import random
from pathlib import Path

import pytest

from make_files import make_pe
from make_image import SECTOR, MadeImage, make_iso, put, zero
from mediashelf.findings import Finding, Severity
from mediashelf.image import open_image
from mediashelf.integrity.inside.zero_runs import MOST_FINDINGS, MOST_RUNS, check_zero_runs

NOISE = random.Random(1).randbytes(60 * SECTOR + 77)
TEXT = "".join(f"line {number} of a tide table\r\n" for number in range(6000)).encode()


def find(tmp_path: Path, data: bytes) -> list[Finding]:
    path = tmp_path / "disc.iso"
    path.write_bytes(data)
    with open_image(path) as image:
        return list(check_zero_runs(image))


def gap(made: MadeImage, path: str, sector: int, count: int = 1, shift: int = 0) -> bytes:
    return zero(made.data, made.file(path) + sector * SECTOR + shift, count * SECTOR)


@pytest.mark.parametrize("content", [NOISE, TEXT, gzip.compress(TEXT + NOISE)])
@pytest.mark.parametrize("count", [1, 5])
def test_a_gap_in_dense_data_is_noted_with_its_place(
    tmp_path: Path, content: bytes, count: int
) -> None:
    made = make_iso({"A.DAT": content, "B.DAT": NOISE}, joliet=True)
    assert find(tmp_path, made.data) == []
    (finding,) = find(tmp_path, gap(made, "/A.DAT", 7, count))
    assert (finding.rule, finding.severity) == ("zeros-amid-data", Severity.NOTE)
    assert finding.where == "/A.DAT"
    assert (finding.offset, finding.length) == (made.file("/A.DAT") + 7 * SECTOR, count * SECTOR)


def test_several_gaps_are_noted_one_by_one(tmp_path: Path) -> None:
    made = make_iso({"A.DAT": NOISE})
    data = made.data
    for sector in (3, 20, 40):
        data = zero(data, made.file("/A.DAT") + sector * SECTOR)
    assert len(find(tmp_path, data)) == 3


@pytest.mark.parametrize(
    ("sector", "shift"),
    [(7, 1), (7, -1), (0, 0), (59, 77)],
    ids=["begins later", "ends earlier", "at the beginning", "at the end"],
)
def test_zeros_that_no_failed_read_leaves_are_passed_over(
    tmp_path: Path, sector: int, shift: int
) -> None:
    made = make_iso({"A.DAT": NOISE})
    longer = gap(made, "/A.DAT", sector, 1, shift)
    assert find(tmp_path, zero(longer, made.file("/A.DAT") + sector * SECTOR + 3 * shift)) == []


@pytest.mark.parametrize(("count", "found"), [(MOST_RUNS, MOST_RUNS), (MOST_RUNS + 1, 0)])
def test_so_many_gaps_are_gaps_and_more_are_the_file_itself(
    tmp_path: Path, count: int, found: int
) -> None:
    made = make_iso({"A.DAT": NOISE * 2})
    data = made.data
    for number in range(count):
        data = zero(data, made.file("/A.DAT") + (10 + 10 * number) * SECTOR)
    assert len(find(tmp_path, data)) == found


@pytest.mark.parametrize(("sectors", "found"), [(12, 1), (11, 0)])
def test_zeros_may_be_a_quarter_of_a_file(tmp_path: Path, sectors: int, found: int) -> None:
    made = make_iso({"A.DAT": NOISE[: sectors * SECTOR]})
    assert len(find(tmp_path, gap(made, "/A.DAT", 4, 3))) == found


@pytest.mark.parametrize("side", [-1, 1])
@pytest.mark.parametrize(("zeros", "found"), [(2, 1), (3, 0)])
def test_two_zeros_beside_a_gap_come_about_by_chance(
    tmp_path: Path, side: int, zeros: int, found: int
) -> None:
    made = make_iso({"A.DAT": b"\1" * (60 * SECTOR)})
    start = made.file("/A.DAT") + 7 * SECTOR
    data = zero(made.data, start)
    beside = start - zeros if side < 0 else start + SECTOR
    assert len(find(tmp_path, put(data, beside, bytes(zeros)))) == found


@pytest.mark.parametrize("side", [-1, 1])
@pytest.mark.parametrize(("zeros", "found"), [(1024, 1), (1025, 0)])
def test_data_are_dense_with_at_most_one_zero_in_sixteen(
    tmp_path: Path, side: int, zeros: int, found: int
) -> None:
    """Of the 8 sectors, 16,384 bytes, on either side of a gap."""
    made = make_iso({"A.DAT": b"\1" * (60 * SECTOR)})
    start = made.file("/A.DAT") + 20 * SECTOR
    sparse = start + side * 5 * SECTOR + 100
    assert len(find(tmp_path, put(zero(made.data, start), sparse, bytes(zeros)))) == found


def test_a_gap_that_crosses_the_chunks_that_are_read(tmp_path: Path) -> None:
    content = random.Random(2).randbytes(1200 * SECTOR)
    made = make_iso({"A.DAT": content})
    (finding,) = find(tmp_path, gap(made, "/A.DAT", 510, 4))
    assert finding.length == 4 * SECTOR


def test_a_gap_in_a_file_of_several_sections_has_its_place_on_the_disc(tmp_path: Path) -> None:
    made = make_iso({"A.DAT": NOISE}, sections={"A.DAT": 8 * SECTOR})
    (finding,) = find(tmp_path, gap(made, "/A.DAT", 20))
    assert finding.offset == made.file("/A.DAT") + 20 * SECTOR


@pytest.mark.parametrize(
    "content",
    [
        make_pe().data + bytes(20_000),
        bytes(100_000),
        b"".join(bytes([number]) + bytes(4095) for number in range(60)),
        b"".join(NOISE[: 3 * SECTOR] + bytes(SECTOR) for _ in range(MOST_RUNS + 1)) + NOISE,
        b"dense" * 300 + bytes(SECTOR * 3) + b"dense" * 300,
        b"",
        b"x",
    ],
    ids=["program", "zeros", "sparse", "many", "mostly zeros", "empty", "one byte"],
)
def test_files_that_hold_zeros_by_themselves_are_left_alone(tmp_path: Path, content: bytes) -> None:
    assert find(tmp_path, make_iso({"A.DAT": content}).data) == []


def test_a_hostile_disc_cannot_flood(tmp_path: Path) -> None:
    files = {f"F{number}.DAT": NOISE[number : number + 16 * SECTOR] for number in range(110)}
    made = make_iso(files)
    data = bytearray(made.data)
    for name in files:
        at = made.file(f"/{name}") + 5 * SECTOR
        data[at : at + SECTOR] = bytes(SECTOR)
    assert len(find(tmp_path, bytes(data))) == MOST_FINDINGS
