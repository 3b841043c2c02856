"""Two trees beside each other; what differs is held against diff and libarchive."""

from __future__ import annotations

import random
import shutil
import subprocess
import zipfile
from pathlib import Path

import pytest

from make_image import make_iso
from mediashelf.integrity.comparing.differences import Difference
from mediashelf.integrity.comparing.entries import compare_trees, first_unequal
from mediashelf.integrity.comparing.values import TreesCompared
from mediashelf.trees.opening import open_tree
from outside_readers import libarchive_tree

ONLY_A, ONLY_B = Difference.ONLY_IN_A, Difference.ONLY_IN_B
CHANGED, MOVED, RENAMED = Difference.CHANGED, Difference.MOVED, Difference.RENAMED


def write(folder: Path, files: dict[str, bytes]) -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    for name, data in files.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data)
    return folder


def compare(one: Path, other: Path, *, is_case_told: bool = True) -> TreesCompared:
    with open_tree(one) as first, open_tree(other) as second:
        return compare_trees(first, second, is_case_told=is_case_told)


def told(found: TreesCompared) -> list[tuple[Difference, str, str]]:
    return [(each.kind, each.path, each.other_path) for each in found.differences]


def test_equal_folders_are_equal(tmp_path: Path) -> None:
    files = {"A/X.TXT": b"x" * 3_000_000, "Y": b"", "B/C/Z.BIN": b"\0\1\2"}
    found = compare(write(tmp_path / "a", files), write(tmp_path / "b", files))
    assert not found.differences
    assert (found.same_files, found.same_size) == (3, 3_000_003)


def test_each_kind_of_difference(tmp_path: Path) -> None:
    long = b"x" * 2_500_000
    one = write(
        tmp_path / "a",
        {
            "same": b"s",
            "longer": b"12",
            "flipped": long,
            "gone": b"gone",
            "DIR/moved.txt": b"moves",
            "old name.txt": b"renamed",
            "file or folder": b"f",
            "empty gone": b"",
        },
    )
    other = write(
        tmp_path / "b",
        {
            "same": b"s",
            "longer": b"123",
            "flipped": long[:2_100_000] + b"y" + long[2_100_001:],
            "new": b"new one",
            "moved.txt": b"moves",
            "new name.txt": b"renamed",
            "file or folder/x": b"f2",
            "empty new": b"",
        },
    )
    (one / "EMPTY").mkdir()
    found = compare(one, other)
    assert sorted(told(found)) == sorted(
        [
            (CHANGED, "longer", "longer"),
            (CHANGED, "flipped", "flipped"),
            (CHANGED, "file or folder", "file or folder"),
            (MOVED, "DIR/moved.txt", "moved.txt"),
            (RENAMED, "old name.txt", "new name.txt"),
            (ONLY_A, "gone", ""),
            (ONLY_A, "empty gone", ""),
            (ONLY_A, "DIR", ""),
            (ONLY_A, "EMPTY", ""),
            (ONLY_B, "", "new"),
            (ONLY_B, "", "empty new"),
            (ONLY_B, "", "file or folder/x"),
        ]
    )
    by_path = {each.path: each for each in found.differences}
    assert by_path["flipped"].first_difference == 2_100_000
    assert by_path["longer"].first_difference is None
    assert "a file in A, a folder in B" in by_path["file or folder"].reason
    assert by_path["EMPTY"].is_folder
    assert found.same_files == 1


def test_letter_case_is_a_name_or_not(tmp_path: Path) -> None:
    one = write(tmp_path / "a", {"DIR/README.TXT": b"x"})
    other = write(tmp_path / "b", {"dir/readme.txt": b"x"})
    assert told(compare(one, other)) == [
        (RENAMED, "DIR", "dir"),
        (RENAMED, "DIR/README.TXT", "dir/readme.txt"),
    ]
    found = compare(one, other, is_case_told=False)
    assert not found.differences
    assert (found.same_files, found.case_aside) == (1, 1)


def test_of_equal_files_those_of_one_name_make_a_pair(tmp_path: Path) -> None:
    one = write(tmp_path / "a", {"A/1.txt": b"same", "A/2.txt": b"same", "A/3.txt": b"same"})
    other = write(tmp_path / "b", {"B/2.txt": b"same", "A/9.txt": b"same", "C/x.txt": b"same"})
    assert set(told(compare(one, other))) - {(ONLY_B, "", "B"), (ONLY_B, "", "C")} == {
        (MOVED, "A/2.txt", "B/2.txt"),
        (RENAMED, "A/1.txt", "A/9.txt"),
        (MOVED, "A/3.txt", "C/x.txt"),
    }


def test_of_equal_files_without_a_name_or_folder_alike_the_first_makes_a_pair(
    tmp_path: Path,
) -> None:
    one = write(tmp_path / "a", {"P/OLD": b"same"})
    other = write(tmp_path / "b", {"Q/X": b"same", "R/Y": b"same", "S/X": b"same"})
    assert (MOVED, "P/OLD", "Q/X") in told(compare(one, other))


def test_ten_thousand_equal_files_take_no_square_of_time(tmp_path: Path) -> None:
    with (
        zipfile.ZipFile(tmp_path / "a.zip", "w") as one,
        zipfile.ZipFile(tmp_path / "b.zip", "w") as other,
    ):
        for number in range(10_000):
            one.writestr(f"A/{number}", b"same")
            other.writestr(f"B/x{number}", b"same")
    found = compare(tmp_path / "a.zip", tmp_path / "b.zip")
    assert found.counts[MOVED] == 10_000


def random_tree(seed: int) -> dict[str, bytes]:
    chance = random.Random(seed)
    folders = ["", "A/", "A/B/", "C/", "Ä/"]
    return {
        f"{chance.choice(folders)}{chance.randrange(40)}.DAT": chance.randbytes(
            chance.randrange(0, 5000)
        )
        for _ in range(60)
    }


@pytest.mark.parametrize("seed", range(5))
def test_diff_says_the_same(tmp_path: Path, seed: int) -> None:
    """GNU diff -rq: "Files X and Y differ", "Only in FOLDER: NAME"; it knows no moves."""
    if shutil.which("diff") is None:
        pytest.skip("no diff here")
    chance = random.Random(seed + 100)
    files = random_tree(seed)
    other = dict(files)
    for name in chance.sample(sorted(files), 12):
        data = other.pop(name)
        what = chance.randrange(4)
        if what == 0 and data:
            other[name] = data[:-1] + bytes([data[-1] ^ 1])
        elif what == 1:
            other[name] = data + b"+"
        elif what == 2:
            other[f"moved/{name}"] = data
    one, two = write(tmp_path / "one", files), write(tmp_path / "two", other)
    done = subprocess.run(
        ["diff", "-rq", "one", "two"],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=False,
        env={"LC_ALL": "C.UTF-8", "PATH": "/usr/bin:/bin"},
    )
    differ = set()
    only: dict[str, set[str]] = {"one": set(), "two": set()}
    for line in done.stdout.splitlines():
        if line.startswith("Files "):
            differ.add(line.split()[1].removeprefix("one/"))
        else:
            folder, _, name = line.removeprefix("Only in ").partition(": ")
            top, _, rest = f"{folder}/{name}".partition("/")
            only[top].add(rest)
    found = compare(one, two)
    assert {each.path for each in found.differences if each.kind is CHANGED} == differ
    mine: dict[str, set[str]] = {"one": set(), "two": set()}
    for each in found.differences:
        if each.kind is not CHANGED:
            mine["one"] |= {each.path} - {""}
            mine["two"] |= {each.other_path} - {""}
    for side, root in (("one", one), ("two", two)):
        files_of_diff = {
            path.relative_to(root).as_posix()
            for name in only[side]
            for path in ((root / name).rglob("*") if (root / name).is_dir() else [root / name])
            if path.is_file()
        }
        assert {name for name in mine[side] if not (root / name).is_dir()} == files_of_diff
    assert bool(found.differences) == bool(done.returncode)


def test_images_differ_in_what_libarchive_reads_differently(tmp_path: Path) -> None:
    files = {"README.TXT": b"1", "DRIVERS/A.SYS": b"a" * 5000, "DRIVERS/B.SYS": b"b"}
    changed = {"README.TXT": b"2", "DRIVERS/A.SYS": b"a" * 5000, "NEW.TXT": b"n" * 77}
    (tmp_path / "a.iso").write_bytes(make_iso(files, joliet=3).data)
    (tmp_path / "b.iso").write_bytes(make_iso(changed, joliet=3).data)
    one = libarchive_tree(tmp_path / "a.iso", joliet=True)
    other = libarchive_tree(tmp_path / "b.iso", joliet=True)
    found = compare(tmp_path / "a.iso", tmp_path / "b.iso")

    def paths(kind: Difference) -> set[str]:
        return {(each.path or each.other_path) for each in found.differences if each.kind is kind}

    def strip(names: set[str]) -> set[str]:
        return {name.strip("/") for name in names}

    assert paths(ONLY_A) == strip(one.keys() - other.keys())
    assert paths(ONLY_B) == strip(other.keys() - one.keys())
    both = one.keys() & other.keys()
    assert paths(CHANGED) == strip({name for name in both if one[name] != other[name]})


def test_what_cannot_be_read_is_not_called_the_same(tmp_path: Path) -> None:
    data = b"text " * 1000
    for name in ("a.zip", "b.zip"):
        with zipfile.ZipFile(tmp_path / name, "w", zipfile.ZIP_DEFLATED) as archive:
            archive.writestr("X.TXT", data)
            archive.writestr("Y.TXT", b"y")
    spoiled = bytearray((tmp_path / "b.zip").read_bytes())
    at = spoiled.index(b"X.TXT") + 5
    spoiled[at + 3] ^= 0xFF
    (tmp_path / "b.zip").write_bytes(spoiled)
    found = compare(tmp_path / "a.zip", tmp_path / "b.zip")
    (only,) = found.differences
    assert only.kind is Difference.NOT_COMPARED
    assert "X.TXT" in only.reason
    assert found.same_files == 1


def test_a_link_out_of_the_folder_is_not_compared(tmp_path: Path) -> None:
    one, other = write(tmp_path / "a", {"x": b"x"}), write(tmp_path / "b", {"x": b"x"})
    for folder in (one, other):
        try:
            (folder / "link").symlink_to("/etc/hostname")
        except OSError:
            pytest.skip("no links here")
    (only,) = compare(one, other).differences
    assert (only.kind, only.path) == (Difference.NOT_COMPARED, "link")


@pytest.mark.parametrize("at", [0, 1, 4095, 4096, 9999])
def test_the_first_unequal_byte(at: int) -> None:
    data = bytes(10_000)
    assert first_unequal(data, data[:at] + b"\1" + data[at + 1 :]) == at


def test_a_longer_piece_differs_at_the_end_of_the_shorter() -> None:
    assert first_unequal(b"abc", b"abcd") == 3
