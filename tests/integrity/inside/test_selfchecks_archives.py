"""7z and RAR archives and NAME.EX_ files: each damage beside its control.

The layouts are from memory: what libarchive reads and refuses is the check from outside.
Severities are our own.
"""

from __future__ import annotations

import random
import struct
import zlib
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from file_checks import Check, faults, rules, tally
from make_files import (
    MadeFile,
    lzss,
    make_kwaj,
    make_rar,
    make_rar5,
    make_seven_zip_shell,
    make_szdd,
    unlzss,
)
from make_image import flip, put
from mediashelf.findings import Severity
from mediashelf.formats.packed.compressed import LzssLength
from mediashelf.integrity.inside.selfchecks.archives import (
    iter_rar5_faults,
    iter_rar_faults,
    iter_seven_zip_faults,
)
from mediashelf.integrity.inside.selfchecks.compressed import iter_compressed_faults

libarchive = pytest.importorskip("libarchive", reason="libarchive is not there")

Maker = Callable[[dict[str, bytes]], MadeFile]

FILES = {"TIDE.TXT": b"high water " * 20, "LAST.SYS": random.Random(3).randbytes(300)}


def read_with_libarchive(data: bytes) -> dict[str, bytes]:
    found = {}
    with libarchive.memory_reader(data) as archive:
        for entry in archive:
            found[entry.pathname] = b"".join(entry.get_blocks())
    return found


@pytest.fixture
def seven_zip(tmp_path: Path) -> bytes:
    """An archive written by libarchive."""
    path = tmp_path / "a.7z"
    with libarchive.file_writer(str(path), "7zip") as archive:
        for name, data in FILES.items():
            archive.add_file_from_memory(name, len(data), data)
    return path.read_bytes()


def test_7z_headers_are_verified(seven_zip: bytes) -> None:
    counted = tally(iter_seven_zip_faults, seven_zip)
    assert counted.verified == {"headers": 2}
    assert counted.unverified == {"packed data of archives": 1}


def test_every_flip_in_7z_headers_is_found(seven_zip: bytes) -> None:
    packed = struct.unpack_from("<Q", seven_zip, 12)[0]
    # Bytes 6 and 7 are the version, which no checksum covers.
    for at in [*range(8, 32), *range(32 + packed, len(seven_zip))]:
        assert faults(iter_seven_zip_faults, flip(seven_zip, at)), at
    for size in range(8, len(seven_zip)):
        assert faults(iter_seven_zip_faults, seven_zip[:size]), size


def test_7z_faults_have_their_place() -> None:
    made = make_seven_zip_shell()
    assert tally(iter_seven_zip_faults, made.data).verified == {"headers": 2}
    (fault,) = faults(iter_seven_zip_faults, flip(made.data, made.at("next")))
    assert (fault.rule, fault.offset) == ("archive-header-crc-agrees", made.at("next"))
    (fault,) = faults(iter_seven_zip_faults, flip(made.data, 13))
    assert (fault.offset, fault.size) == (0, 32)
    assert tally(iter_seven_zip_faults, flip(made.data, made.at("packed"))).verified  # not read


@pytest.mark.parametrize(
    ("make", "check"), [(make_rar, iter_rar_faults), (make_rar5, iter_rar5_faults)]
)
def test_libarchive_reads_what_we_find_sound(make: Maker, check: Check) -> None:
    made = make(FILES)
    assert read_with_libarchive(made.data) == FILES
    counted = tally(check, made.data)
    assert counted.verified == {"headers": 4, "stored members": 2}
    for name in FILES:
        damaged = flip(made.data, made.at(name) + 2)
        with pytest.raises(libarchive.ArchiveError):
            read_with_libarchive(damaged)
        assert rules(check, damaged) & {"archive-header-crc-agrees", "archive-structure-holds"}
        (fault,) = faults(check, flip(made.data, made.at(f"data {name}") + 7))
        assert fault.rule == "archive-member-matches-its-crc"
        assert (fault.offset, fault.size) == (made.at(f"data {name}"), len(FILES[name]))
        assert name in fault.message


@pytest.mark.parametrize(
    ("make", "check"), [(make_rar, iter_rar_faults), (make_rar5, iter_rar5_faults)]
)
def test_every_flip_in_rar_archives_is_found(make: Maker, check: Check) -> None:
    made = make(FILES)
    missed = [at for at in range(8, len(made.data)) if not faults(check, flip(made.data, at))]
    assert missed == []


def test_every_truncation_of_rar_archives_is_found_or_said() -> None:
    made = make_rar5(FILES)
    for size in range(8, len(made.data)):
        assert faults(iter_rar5_faults, made.data[:size]), size
    (fault,) = faults(iter_rar5_faults, made.data[: made.at("end")])
    assert (fault.severity, fault.offset, fault.size) == (
        Severity.WARNING,
        made.at("end") - 1,
        1,
    )
    made = make_rar(FILES)
    borders = {made.at("TIDE.TXT"), made.at("LAST.SYS"), made.at("end"), 7}
    for size in range(7, len(made.data)):
        assert bool(faults(iter_rar_faults, made.data[:size])) != (size in borders), size
    assert tally(iter_rar_faults, made.data[: made.at("end")]).unverified == {
        "archives without an end block": 1
    }


def test_rar_headers_with_an_old_comment() -> None:
    assert tally(iter_rar_faults, make_rar(FILES, comment=True).data).verified["headers"] == 4


def test_encrypted_rar_headers_are_said_to_be_unverified() -> None:
    made = make_rar(FILES)
    at = made.at("main")
    flags = struct.pack("<H", 0x0080)
    body = put(made.data[at + 2 : at + 13], 1, flags)
    data = put(made.data, at, struct.pack("<H", zlib.crc32(body) & 0xFFFF) + body)
    assert tally(iter_rar_faults, data).unverified == {"archives with encrypted headers": 1}


# Compressed single files. No library here reads them: lengths are checked by a
# plain expander in the tests, which shares nothing with the counter.


@given(st.lists(st.tuples(st.binary(min_size=1, max_size=3), st.integers(1, 60)), max_size=30))
@settings(derandomize=True, deadline=None)
def test_the_length_is_counted_as_expanding_would(parts: list[tuple[bytes, int]]) -> None:
    data = b"".join(piece * count for piece, count in parts)
    stream = lzss(data)
    assert unlzss(stream) == data
    for step in (1, 7, 1000):
        counter = LzssLength()
        for start in range(0, len(stream), step):
            counter.update(stream[start : start + step])
        assert counter.finish(len(data)) == len(data)


@given(st.binary(max_size=300))
@settings(derandomize=True, deadline=None)
def test_any_bytes_are_a_stream(stream: bytes) -> None:
    counter = LzssLength()
    counter.update(stream)
    assert 0 <= counter.finish(1 << 40) <= 18 * len(stream)


TEXT = b"ebb and flood " * 30 + b"=" * 70 + bytes(range(200))


@pytest.mark.parametrize(
    "data", [make_szdd(TEXT), *(make_kwaj(TEXT, method=method) for method in (0, 1, 2))]
)
def test_lengths_of_compressed_files_agree_and_every_truncation_is_found(data: bytes) -> None:
    assert tally(iter_compressed_faults, data).verified == {"recorded lengths": 1}
    for size in range(8, len(data)):
        assert faults(iter_compressed_faults, data[:size]), size


def test_a_short_compressed_file_is_an_error_a_long_one_a_warning() -> None:
    data = make_szdd(TEXT)
    (fault,) = faults(iter_compressed_faults, data[:-4])
    assert (fault.rule, fault.severity) == ("compressed-length-agrees", Severity.ERROR)
    assert (fault.offset, fault.size) == (14, len(data) - 18)
    (fault,) = faults(iter_compressed_faults, data + b"\xff" * 40)
    assert fault.severity is Severity.WARNING
    (fault,) = faults(iter_compressed_faults, flip(data, 10))
    assert fault.rule == "compressed-length-agrees"


def test_a_flipped_control_byte_changes_the_length() -> None:
    data = make_szdd(TEXT)
    assert data[14] == 0xFF  # eight literals
    assert rules(iter_compressed_faults, flip(data, 14)) == {"compressed-length-agrees"}


def test_other_methods_and_missing_lengths_are_said_to_be_unverified() -> None:
    for method in (3, 4):
        counted = tally(iter_compressed_faults, make_kwaj(TEXT, method=method))
        assert counted.unverified == {"files of the LZ-Huffman or MSZIP method: header only": 1}
    plain = b"KWAJ\x88\xf0\x27\xd1" + struct.pack("<HHH", 0, 14, 0) + TEXT
    assert tally(iter_compressed_faults, plain).unverified == {"files without a recorded length": 1}


@pytest.mark.parametrize("damaged", [flip(make_szdd(TEXT), 8), flip(make_kwaj(TEXT), 8)])
def test_unknown_modes_and_methods_are_faults(damaged: bytes) -> None:
    assert rules(iter_compressed_faults, damaged) == {"compressed-header-holds"}


@pytest.mark.parametrize("change", [{"name": b"TOOLONGNAME"}, {"text": b"x" * 0}])
def test_kwaj_names_end_within_their_field(change: dict[str, bytes]) -> None:
    found = rules(iter_compressed_faults, make_kwaj(TEXT, **change))
    assert found == ({"compressed-header-holds"} if "name" in change else set())
