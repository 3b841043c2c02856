"""Bombs and traps: what wants too much is refused, early and with few bytes in memory."""

from __future__ import annotations

import bz2
import gzip
import io
import lzma
import struct
import sys
import tarfile
import time
import tracemalloc
import zipfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from make_files import make_cabinet, make_pe
from make_image import put
from make_old_archives import make_cpio
from make_wrappings import (
    WRAPPINGS,
    behind_program,
    make_seven_zip,
    make_seven_zip_by_hand,
    make_zip,
)
from mediashelf.errors import InputError
from mediashelf.findings import Finding
from mediashelf.trees.archives import library, library_process
from mediashelf.trees.as_image import is_archive
from mediashelf.trees.inside import iter_trees
from mediashelf.trees.members import Bounds
from mediashelf.trees.opening import open_tree
from mediashelf.trees.tree import Tree
from mediashelf.trees.wrappings import may_be_wrapping

MIB = 1 << 20
BOUNDS = Bounds(least_bytes=8 * MIB, ratio=2)


@contextmanager
def within_bounds() -> Iterator[None]:
    tracemalloc.start()
    began = time.monotonic()
    try:
        yield
        assert tracemalloc.get_traced_memory()[1] < 40 * MIB
    finally:
        tracemalloc.stop()
    assert time.monotonic() - began < 60


def read_all(path: Path) -> list[str]:
    """Read everything, and return the errors."""
    problems = []
    try:
        with within_bounds(), open_tree(path, bounds=BOUNDS) as top:
            for tree in iter_trees(top, bounds=BOUNDS):
                if isinstance(tree, Finding):
                    problems.append(tree.message)
                    continue
                for member in tree.members:
                    if member.is_file:
                        try:
                            for _ in tree.stream(member):
                                pass
                        except InputError as error:
                            problems.append(str(error))
    except InputError as error:
        problems.append(str(error))
    return problems


def zeros_zip(size: int, method: int) -> bytes:
    data = io.BytesIO()
    with zipfile.ZipFile(data, "w", method) as archive, archive.open("ZEROS.TXT", "w") as member:
        for _ in range(size // MIB):
            member.write(bytes(MIB))
    return data.getvalue()


def zeros_tar(size: int) -> bytes:
    header = tarfile.TarInfo("ZEROS.TXT")
    header.size = size
    return header.tobuf() + bytes(size)


BOMBS: dict[str, Callable[[], bytes]] = {
    "deflated.zip": lambda: zeros_zip(64 * MIB, zipfile.ZIP_DEFLATED),
    "bzip2.zip": lambda: zeros_zip(64 * MIB, zipfile.ZIP_BZIP2),
    "lzma.zip": lambda: zeros_zip(64 * MIB, zipfile.ZIP_LZMA),
    "pack.tar.gz": lambda: gzip.compress(zeros_tar(64 * MIB)),
    "pack.tar.bz2": lambda: bz2.compress(zeros_tar(64 * MIB)),
    "pack.tar.xz": lambda: lzma.compress(zeros_tar(64 * MIB)),
    "pack.7z": lambda: make_seven_zip({"ZEROS.TXT": bytes(64 * MIB)}),
}


@pytest.mark.parametrize("name", BOMBS)
def test_what_expands_too_far_is_refused(tmp_path: Path, name: str) -> None:
    (tmp_path / name).write_bytes(BOMBS[name]())
    (problem,) = read_all(tmp_path / name)
    assert "expand" in problem


def test_a_member_that_lies_about_its_size_is_stopped(tmp_path: Path) -> None:
    for method in (zipfile.ZIP_DEFLATED, zipfile.ZIP_BZIP2, zipfile.ZIP_LZMA):
        data = zeros_zip(64 * MIB, method)
        data = put(data, data.rindex(b"PK\1\2") + 24, struct.pack("<I", 1000))
        (tmp_path / "lie.zip").write_bytes(data)
        (problem,) = read_all(tmp_path / "lie.zip")
        assert "expands to more than its 1,000 bytes" in problem


def test_wrappings_in_wrappings_end(tmp_path: Path) -> None:
    """Each level holds ten of the next: what is opened is bounded by depth."""
    data = make_zip({"x.txt": b"x"})
    for _ in range(8):
        data = make_zip({f"{number}.zip": data for number in range(3)})
    (tmp_path / "nest.zip").write_bytes(data)
    with within_bounds(), open_tree(tmp_path / "nest.zip") as top:
        found = list(iter_trees(top))
    assert sum(isinstance(one, Tree) for one in found) == 1 + 3 + 9 + 27
    assert sum(isinstance(one, Finding) for one in found) == 81


def test_gzip_in_gzip_ends(tmp_path: Path) -> None:
    data = b"x"
    for _ in range(50):
        data = gzip.compress(data)
    (tmp_path / "deep.gz").write_bytes(data)
    (problem,) = read_all(tmp_path / "deep.gz")
    assert "inside too many others" in problem


def test_many_members_are_bounded(tmp_path: Path) -> None:
    (tmp_path / "many.zip").write_bytes(make_zip({f"{n}": b"" for n in range(3000)}))
    (tmp_path / "many.7z").write_bytes(make_seven_zip({f"{n}": b"x" for n in range(3000)}))
    (tmp_path / "many.tar").write_bytes(
        b"".join(tarfile.TarInfo(str(n)).tobuf() for n in range(3000)) + bytes(1024)
    )
    for name in ("many.zip", "many.7z", "many.tar"):
        with within_bounds(), open_tree(tmp_path / name, bounds=Bounds(members=1000)) as tree:
            assert len(tree.members) == 1000
            assert [one.rule for one in tree.findings] == ["listing-incomplete"]


def test_tar_headers_that_lead_back_or_ask_for_much_end_the_listing(tmp_path: Path) -> None:
    first = tarfile.TarInfo("fine.txt").tobuf()
    negative = bytearray(tarfile.TarInfo("pax").tobuf())
    negative[156:157] = b"x"  # an extended header ...
    negative[124:136] = b"\xff" * 11 + b"\0"  # ... of a negative size (GNU base-256)
    big = bytearray(tarfile.TarInfo("pax").tobuf())
    big[156:157] = b"x"
    big[124:136] = b"\x80" + (1 << 40).to_bytes(11, "big")
    for header in (negative, big):
        fixed = bytes(header[:148]) + b" " * 8 + bytes(header[156:])
        header[148:156] = f"{sum(fixed):06o}\0 ".encode()
        (tmp_path / "bad.tar").write_bytes(first + bytes(header) + bytes(4096))
        with open_tree(tmp_path / "bad.tar") as tree:
            assert [one.path for one in tree.members] == ["fine.txt"]
            assert [one.rule for one in tree.findings] == ["listing-incomplete"]


@pytest.mark.skipif(sys.platform != "linux", reason="other systems hold no process to its memory")
def test_an_archive_that_wants_too_much_memory_is_refused(tmp_path: Path) -> None:
    small = make_seven_zip_by_hand("A.TXT", b"abc" * 30, 18)
    (tmp_path / "small.7z").write_bytes(small)
    assert read_all(tmp_path / "small.7z") == []
    (tmp_path / "large.7z").write_bytes(make_seven_zip_by_hand("A.TXT", b"abc" * 30, 40))
    (problem,) = read_all(tmp_path / "large.7z")
    assert "A.TXT: " in problem
    assert "memory" in problem


def test_a_child_that_dies_is_a_clear_error(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "pack.7z").write_bytes(make_seven_zip({"A": b"a"}))
    monkeypatch.setattr(sys, "executable", "/bin/false")
    with pytest.raises(InputError, match="damaged or hostile: the library that reads it ended"):
        open_tree(tmp_path / "pack.7z")


def test_a_child_that_hangs_is_ended(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    script = tmp_path / "hang.sh"
    script.write_text("#!/bin/sh\nexec sleep 60\n")
    script.chmod(0o755)
    (tmp_path / "pack.7z").write_bytes(make_seven_zip({"A": b"a"}))
    monkeypatch.setattr(sys, "executable", str(script))
    monkeypatch.setattr(library_process, "MOST_SECONDS", 0.2)
    began = time.monotonic()
    with pytest.raises(InputError, match="took too long"):
        open_tree(tmp_path / "pack.7z")
    assert time.monotonic() - began < 20


@pytest.mark.parametrize("name", ["pack.7z", "lzx.cab", "7z-setup.exe"])
def test_without_the_library_it_says_what_it_cannot_open_and_how_to_get_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    (tmp_path / name).write_bytes(WRAPPINGS[name]({"A.TXT": b"a"}))
    monkeypatch.setattr(library, "find_spec", lambda module: None)
    with pytest.raises(InputError, match=r"needs libarchive; .*mediashelf\[archives\]"):
        open_tree(tmp_path / name)
    (tmp_path / "pack.zip").write_bytes(make_zip({"A.TXT": b"a"}))
    with open_tree(tmp_path / "pack.zip") as tree:
        assert [one.path for one in tree.members] == ["A.TXT"]


def test_only_the_library_itself_missing_is_said_as_well(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "pack.7z").write_bytes(make_seven_zip({"A.TXT": b"a"}))
    monkeypatch.setenv("LIBARCHIVE", str(tmp_path / "none.so"))
    with pytest.raises(InputError, match="apt-get install libarchive13"):
        open_tree(tmp_path / "pack.7z")


def test_nothing_in_the_current_folder_is_run_by_the_child(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "libarchive.py").write_text("raise SystemExit('taken over')\n")
    (tmp_path / "pack.7z").write_bytes(make_seven_zip({"A.TXT": b"a"}))
    monkeypatch.chdir(tmp_path)
    with open_tree("pack.7z") as tree:
        assert [one.path for one in tree.members] == ["A.TXT"]


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (behind_program(bytes(range(1, 256)) * 40), "an installer of unknown kind"),
        (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(600), "an installer database"),
        (b"\x60\xea" + bytes(600), "an ARJ archive"),
        (b"ZOO 2.10 Archive.\x1a\0\0\xdc\xa7\xc4\xfd" + bytes(600), "a ZOO archive"),
        (b"\x12\x34\x31\0\0\0\x90**ACE**" + bytes(600), "an ACE archive"),
        (b"\x1a\x08TLAN.SYS\0" + bytes(600), "an ARC archive"),
        (b"\x1f\x9d\x90" + bytes(600), "a Unix compress file"),
        (b"LZIP\x01\x0c" + bytes(600), "an lzip file"),
        (b"\x89LZO\0\r\n\x1a\n" + bytes(600), "an lzop file"),
        (b"\x04\x22M\x18" + bytes(600), "an LZ4 file"),
        (b"\x28\xb5\x2f\xfd" + bytes(600), "a Zstandard file"),
        (b"LRZI\0\x06" + bytes(600), "an lrzip file"),
        (b"\xed\xab\xee\xdb\3\0" + bytes(600), "an RPM package"),
        (make_cpio("A.SYS", b"driver"), "a cpio archive"),
        (make_cpio("A.SYS", b"driver", "odc"), "a cpio archive"),
        (make_cpio("A.SYS", b"driver", "<H"), "a cpio archive"),
        (make_cpio("A.SYS", b"driver", ">H"), "a cpio archive"),
    ],
)
def test_what_is_not_opened_has_a_name(tmp_path: Path, data: bytes, words: str) -> None:
    path = tmp_path / "thing.exe"
    path.write_bytes(data)
    assert is_archive(path)
    with pytest.raises(InputError, match=words):
        open_tree(path)


@pytest.mark.parametrize(
    "data",
    [
        b"070701 was the number of the first form\r\n" * 20,
        b"\xc7\x71" + bytes(range(256)) * 3,
        b"]\0\0" + bytes(600),
        lzma.compress(b"driver", lzma.FORMAT_ALONE)[:13] + b"\1" + bytes(600),
    ],
    ids=["text like cpio", "number of cpio", "bytes like LZMA", "no range coder"],
)
def test_what_only_begins_like_a_wrapping_is_a_plain_file(tmp_path: Path, data: bytes) -> None:
    (tmp_path / "thing.bin").write_bytes(data)
    assert not is_archive(tmp_path / "thing.bin")


@pytest.mark.parametrize("name", ["lan.cpio", "lan.rpm", "lan.lrz", "lan.lzma"])
def test_archives_of_other_systems_in_a_package_folder_are_looked_at(name: str) -> None:
    assert may_be_wrapping(name)


def quantum_cabinet() -> bytes:
    made = make_cabinet([{"A.SYS": b"driver" * 99}])
    return put(made.data, made.at("folder 0") + 6, struct.pack("<H", 2 | 7 << 4 | 20 << 8))


def test_cabinets_that_no_library_opens_are_named(tmp_path: Path) -> None:
    (tmp_path / "data.cab").write_bytes(quantum_cabinet())
    words = "is a cabinet compressed by Quantum, which cannot be opened here"
    with pytest.raises(InputError, match=words):
        open_tree(tmp_path / "data.cab")


def test_a_program_full_of_signatures_takes_no_longer(tmp_path: Path) -> None:
    made = make_pe([(".text", b"\xc3" * 512), (".data", b"MSCF\0\0\0\0" * (1 << 19))])
    (tmp_path / "setup.exe").write_bytes(made.data)
    began = time.process_time()
    with pytest.raises(InputError, match="neither a folder nor an image"):
        open_tree(tmp_path / "setup.exe")
    assert time.process_time() - began < 5
