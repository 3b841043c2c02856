"""ZIP archives and gzip files: each damage beside its control, and the standard library's word.

ZIP: layout from memory (the clauses of APPNOTE too), held against Python's zipfile. Gzip:
RFC 1952 (its clauses from memory), held against Python's gzip. Severities: own behaviour.
"""

from __future__ import annotations

import gzip
import io
import random
import struct
import tracemalloc
import zipfile
import zlib

import pytest

from byte_views import BytesView
from file_checks import faults, rules, tally
from image_parts import le32
from make_image import flip, put
from mediashelf.findings import Severity
from mediashelf.integrity.inside.selfchecks.faults import Tally
from mediashelf.integrity.inside.selfchecks.gzips import iter_gzip_faults
from mediashelf.integrity.inside.selfchecks.zips import iter_attached_zip_faults, iter_zip_faults

FILES = {"TIDE.TXT": b"high water " * 40, "EMPTY": b"", "IN.ZIP": b"PK\3\4" + bytes(60)}


def make_zip(
    files: dict[str, bytes] = FILES,
    *,
    method: int = zipfile.ZIP_DEFLATED,
    comment: bytes = b"",
    streamed: bool = False,
    zip64: bool = False,
) -> bytes:
    """An archive as the standard library writes it; streamed ones have descriptors."""
    out = io.BytesIO()
    target = _Unseekable(out) if streamed else out
    with zipfile.ZipFile(target, "w", method) as archive:  # type: ignore[arg-type]
        for name, data in files.items():
            information = zipfile.ZipInfo(name, (1999, 6, 1, 0, 0, 0))
            information.compress_type = method
            with archive.open(information, "w", force_zip64=zip64) as member:
                member.write(data)
        archive.comment = comment
    return out.getvalue()


class _Unseekable:
    def __init__(self, stream: io.BytesIO) -> None:
        self._stream = stream

    def write(self, data: bytes) -> int:
        return self._stream.write(data)

    def flush(self) -> None:
        pass


def local_header(data: bytes, name: str) -> int:
    return zipfile.ZipFile(io.BytesIO(data)).getinfo(name).header_offset


def central_record(data: bytes, name: str) -> int:
    return data.rindex(name.encode()) - 46


def member_data(data: bytes, name: str) -> int:
    at = local_header(data, name)
    return at + 30 + sum(struct.unpack_from("<HH", data, at + 26))


@pytest.mark.parametrize("method", [zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED])
@pytest.mark.parametrize(
    "options", [{}, {"streamed": True}, {"zip64": True}, {"comment": b"PK\5\6 hi"}]
)
def test_what_the_standard_library_writes_is_sound(method: int, options: dict[str, object]) -> None:
    data = make_zip(method=method, **options)  # type: ignore[arg-type]
    counted = tally(iter_zip_faults, data)
    assert counted.verified == {"members": 3}
    assert counted.nested_archives == 1
    assert not counted.unverified


def test_an_empty_archive_and_one_after_other_bytes_are_sound() -> None:
    assert tally(iter_zip_faults, make_zip({})).verified == {}
    assert tally(iter_zip_faults, b"x" * 100 + make_zip()).verified == {"members": 3}


def test_offsets_counted_from_the_programs_start_are_followed() -> None:
    out = io.BytesIO(b"MZ" + bytes(500))
    out.seek(0, 2)
    with zipfile.ZipFile(out, "a") as archive:
        archive.writestr("A", b"a")
    data = out.getvalue()
    assert list(iter_attached_zip_faults(BytesView(data), 502, Tally())) == []


def test_64_bit_end_records_are_read() -> None:
    """An archive of more than 65,535 members needs them; the library writes them then."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        for number in range(65_540):
            archive.writestr(zipfile.ZipInfo(f"{number}"), b"")
    data = out.getvalue()
    assert data.count(b"PK\6\6") == 1
    assert tally(iter_zip_faults, data).verified == {"members": 65_540}


def test_a_member_that_does_not_match_its_crc() -> None:
    data = make_zip(method=zipfile.ZIP_STORED)
    at = member_data(data, "TIDE.TXT")
    (fault,) = faults(iter_zip_faults, flip(data, at + 7))
    assert fault.rule == "zip-members-match-their-crc"
    assert fault.message.startswith("TIDE.TXT: its CRC is ")
    assert (fault.offset, fault.size) == (at, len(FILES["TIDE.TXT"]))


def test_the_crc_of_a_part_is_not_what_was_found_in_data_that_break_off() -> None:
    text = random.Random(7).randbytes(1 << 20)
    data = make_zip({"TIDE.DAT": text})
    (fault,) = faults(iter_zip_faults, put(data, member_data(data, "TIDE.DAT"), b"\xff"))
    reason = "Error -3 while decompressing data: invalid block type"
    assert fault.message == f"TIDE.DAT: its data cannot be expanded: {reason}"
    assert (fault.found, fault.expected) == (reason, f"{zlib.crc32(text):08x}")


@pytest.mark.parametrize("method", [zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED])
@pytest.mark.parametrize("streamed", [False, True])
def test_whatever_flip_the_standard_library_sees_we_see(method: int, streamed: bool) -> None:
    data = make_zip(method=method, streamed=streamed)
    seen_by_us = 0
    for at in range(4, len(data)):
        damaged = flip(data, at)
        found = faults(iter_zip_faults, damaged)
        seen_by_us += bool(found)
        if _library_refuses(damaged):
            assert found or at in _flags(data), f"byte {at}"
    assert seen_by_us > len(data) // 2  # the rest is dates, versions, attributes


def _library_refuses(data: bytes) -> bool:
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            return archive.testzip() is not None or set(archive.namelist()) != set(FILES)
    except (zipfile.BadZipFile, NotImplementedError, RuntimeError, zlib.error, EOFError, OSError):
        return True
    except ValueError:  # what the library says of a place before the file's start
        return True


def _flags(data: bytes) -> set[int]:
    """Bytes after whose flip a member only looks encrypted, patched or too new to a reader."""
    places = set()
    for name in FILES:
        places |= {*range(local_header(data, name) + 4, local_header(data, name) + 8)}
        places |= {*range(central_record(data, name) + 4, central_record(data, name) + 10)}
    return places


@pytest.mark.parametrize("streamed", [False, True])
def test_every_truncation_is_found(streamed: bool) -> None:
    data = make_zip(streamed=streamed)
    assert not faults(iter_zip_faults, data)
    for size in range(4, len(data)):
        assert faults(iter_zip_faults, data[:size]), size


@pytest.mark.parametrize(
    ("offset", "what"),
    [(8, "method"), (14, "CRC"), (18, "stored size"), (22, "size"), (30, "name")],
)
def test_local_header_and_directory_agree(offset: int, what: str) -> None:
    data = make_zip()
    at = local_header(data, "TIDE.TXT")
    found = faults(iter_zip_faults, flip(data, at + offset))
    assert {fault.rule for fault in found} == {"zip-headers-agree"}
    assert any(f"local header's {what} is" in fault.message for fault in found)
    assert all(fault.offset == at for fault in found)


def test_the_descriptor_agrees() -> None:
    data = make_zip(streamed=True)
    at = data.index(b"PK\x07\x08")
    (fault,) = faults(iter_zip_faults, flip(data, at + 5))
    assert (fault.rule, fault.offset) == ("zip-headers-agree", at)


def test_members_that_share_bytes_are_told() -> None:
    data = make_zip({"A": b"a" * 50, "B": b"a" * 50}, method=zipfile.ZIP_STORED)
    shared = put(data, central_record(data, "B") + 42, struct.pack("<I", local_header(data, "A")))
    assert any("share bytes" in fault.message for fault in faults(iter_zip_faults, shared))


def test_encrypted_members_and_other_methods_are_said_to_be_unverified() -> None:
    data = make_zip(method=zipfile.ZIP_STORED)
    for name in FILES:
        for at in (local_header(data, name) + 6, central_record(data, name) + 8):
            data = put(data, at, b"\1\0")
    assert tally(iter_zip_faults, data).unverified == {"encrypted members": 3}
    bzip2 = make_zip(method=zipfile.ZIP_BZIP2)
    assert tally(iter_zip_faults, bzip2).unverified == {"members of the method bzip2": 3}


def test_a_split_archive_is_said_to_be_unverified() -> None:
    data = make_zip()
    end = data.rindex(b"PK\5\6")
    assert tally(iter_zip_faults, put(data, end + 4, b"\1\0")).unverified == {
        "archives split over several files": 1
    }


def test_a_bomb_is_refused_with_little_memory() -> None:
    """Eight members of 60 MiB of zeros each; the file has half a megabyte."""
    bomb = make_zip({f"{number}": bytes(60 << 20) for number in range(8)})
    assert len(bomb) < 1 << 20
    tracemalloc.start()
    found = faults(iter_zip_faults, bomb)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert {fault.rule for fault in found} == {"expansion-is-bounded"}
    assert {fault.severity for fault in found} == {Severity.WARNING}
    assert 0 < len(found) < 8
    assert peak < 8 << 20


def test_a_member_that_expands_to_more_than_it_says_is_stopped() -> None:
    data = make_zip({"A": bytes(30 << 20)})
    at = local_header(data, "A")
    for place in (at + 22, central_record(data, "A") + 24):
        data = put(data, place, struct.pack("<I", 1000))
    (fault,) = faults(iter_zip_faults, data)
    assert fault.message == "A: expands to more than its 1,000 bytes"


def test_an_archive_after_a_program_without_an_end_is_a_warning() -> None:
    data = b"MZ" + bytes(98) + make_zip()[:-30]
    (fault,) = iter_attached_zip_faults(BytesView(data), 100, Tally())
    assert (fault.severity, fault.offset, fault.size) == (Severity.WARNING, 100, len(data) - 100)


def test_a_damaged_member_of_an_archive_after_a_program_is_an_error() -> None:
    data = make_zip(method=zipfile.ZIP_STORED)
    at = member_data(data, "TIDE.TXT")
    (fault,) = iter_attached_zip_faults(
        BytesView(b"MZ" + bytes(98) + flip(data, at + 5)), 100, Tally()
    )
    assert (fault.rule, fault.severity) == ("zip-members-match-their-crc", Severity.ERROR)
    assert fault.offset == 100 + at
    assert fault.message.startswith("TIDE.TXT")


# Gzip: RFC 1952 describes the bytes, Python's gzip judges the same files.


def make_gzip(data: bytes = b"high water " * 40, name: str = "TIDE.TXT") -> bytes:
    out = io.BytesIO()
    with gzip.GzipFile(name, "wb", 9, out, mtime=0) as stream:
        stream.write(data)
    return out.getvalue()


def test_gzip_files_are_verified_member_by_member() -> None:
    assert tally(iter_gzip_faults, make_gzip()).verified == {"members": 1}
    assert tally(iter_gzip_faults, make_gzip() + make_gzip(b"x") + bytes(512)).verified == {
        "members": 2
    }
    assert tally(iter_gzip_faults, make_gzip(b"PK\3\4")).nested_archives == 1


def test_gzip_headers_with_every_field() -> None:
    fields = b"\x1f\x8b\x08\x1e" + bytes(6) + b"\3\0abc" + b"name\0" + b"comment\0"
    fields += struct.pack("<H", zlib.crc32(fields) & 0xFFFF)
    body = make_gzip(b"abc", "")[10:]
    assert gzip.decompress(fields + body) == b"abc"
    assert tally(iter_gzip_faults, fields + body).verified == {"members": 1}
    assert rules(iter_gzip_faults, flip(fields + body, 14)) == {"gzip-structure-holds"}


@pytest.mark.parametrize("data", [make_gzip(), make_gzip(b"abc") + make_gzip(b"def" * 9)])
def test_whatever_flip_python_sees_in_gzip_files_we_see(data: bytes) -> None:
    for at in range(3, len(data)):
        damaged = flip(data, at)
        try:
            gzip.decompress(damaged)
        except (gzip.BadGzipFile, EOFError, zlib.error):
            assert faults(iter_gzip_faults, damaged), at


def test_every_gzip_truncation_is_found() -> None:
    data = make_gzip()
    for size in range(3, len(data)):
        assert faults(iter_gzip_faults, data[:size]), size


def test_bytes_after_a_gzip_member_are_a_warning() -> None:
    (fault,) = faults(iter_gzip_faults, make_gzip() + b"more")
    assert (fault.severity, fault.offset) == (Severity.WARNING, len(make_gzip()))


def test_a_gzip_bomb_is_refused_with_little_memory() -> None:
    bomb = make_gzip(bytes(300 << 20))
    tracemalloc.start()
    (fault,) = faults(iter_gzip_faults, bomb)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert fault.rule == "expansion-is-bounded"
    assert peak < 8 << 20


@pytest.mark.parametrize("at", [3, 8])
def test_a_gzip_header_of_another_kind_is_an_error(at: int) -> None:
    """RFC 1952 2.3.1: of the flags three are reserved; method 8 is the only one in use."""
    damaged = put(make_gzip(), 3, b"\xff") if at == 3 else put(make_gzip(), 2, b"\7")
    (fault,) = faults(iter_gzip_faults, damaged)
    assert (fault.rule, fault.severity) == ("gzip-structure-holds", Severity.ERROR)


def test_a_gzip_trailer_is_told_with_both_of_its_fields() -> None:
    """RFC 1952 2.3.1: CRC-32, then the size modulo 2^32."""
    data = b"high water " * 40
    made = make_gzip(data)
    crc = f"{zlib.crc32(data):08x}"
    (fault,) = faults(iter_gzip_faults, put(made, len(made) - 4, struct.pack("<I", 7)))
    assert (fault.found, fault.expected) == (f"{crc} 440", f"{crc} 7")
    assert fault.message == (
        f"CRC and size of the data are {crc} and 440, recorded are {crc} and 7"
    )
    assert fault.offset + fault.size == len(made)


def test_members_after_a_broken_directory_record_are_counted() -> None:
    """A record of the central directory begins with PK 01 02: APPNOTE 4.3.12, from memory."""
    made = make_zip()
    second = made.index(b"PK\1\2", made.index(b"PK\1\2") + 1)
    counted = Tally()
    (fault,) = iter_zip_faults(BytesView(put(made, second, b"XX")), counted)
    assert (fault.rule, fault.offset) == ("zip-structure-holds", second)
    assert counted.unverified == {"members after a broken directory record": 2}
    assert counted.verified == {"members": 1}


def end_record(data: bytes) -> int:
    return data.rindex(b"PK\5\6")


@pytest.mark.parametrize(
    ("field", "change"),
    [
        (8, struct.pack("<HH", 2, 2)),
        (8, struct.pack("<HH", 9, 9)),
        (12, struct.pack("<I", 0x7FFF_0000)),
        (16, struct.pack("<I", 0x7FFF_0000)),
    ],
    ids=["too few", "too many", "size", "offset"],
)
@pytest.mark.parametrize("prefix", [b"", b"MZ" + bytes(500)])
def test_an_end_record_that_contradicts_the_directory_is_a_warning(
    field: int, change: bytes, prefix: bytes
) -> None:
    """Where the directory is there by its own records: libarchive opens every one of these.

    The record's fields: from memory. That this is a warning: own behaviour.
    """
    libarchive = pytest.importorskip("libarchive", reason="libarchive is not there")
    data = make_zip(method=zipfile.ZIP_STORED)
    changed = put(data, end_record(data) + field, change)
    with libarchive.memory_reader(changed, format_name="zip") as archive:
        assert [entry.pathname for entry in archive] == list(FILES)
    is_placed = field == 8  # otherwise nothing tells where the archive begins
    start = prefix if is_placed else b""
    counted = Tally()
    (fault,) = iter_zip_faults(BytesView(start + changed), counted)
    assert (fault.rule, fault.severity) == ("zip-end-record-agrees", Severity.WARNING)
    assert (fault.offset, fault.size) == (len(start) + end_record(data), 22)
    assert fault.expected.startswith("3 members")
    assert counted.verified == {"members": 3}
    # Damage to a member is still found.
    at = local_header(data, "TIDE.TXT") + 60
    found = {item.rule for item in iter_zip_faults(BytesView(flip(changed, at)), Tally())}
    assert found == {"zip-end-record-agrees", "zip-members-match-their-crc"}


@pytest.mark.parametrize("added", [b"x", b"PK\5\5\3\0abc", bytes(50)], ids=len)
def test_bytes_of_the_directory_that_are_no_member_are_a_warning(added: bytes) -> None:
    """The second is a digital signature, with which a directory may end: from memory.

    That it is a warning: own behaviour; Python's zipfile and libarchive refuse each of these.
    """
    data = make_zip(method=zipfile.ZIP_STORED)
    end = end_record(data)
    (size,) = struct.unpack_from("<I", data, end + 12)
    changed = put(data[:end] + added + data[end:], end + len(added) + 12, le32(size + len(added)))
    with pytest.raises(zipfile.BadZipFile):
        zipfile.ZipFile(io.BytesIO(changed))
    (fault,) = faults(iter_zip_faults, changed)
    assert (fault.rule, fault.severity) == ("zip-structure-holds", Severity.WARNING)
    assert (fault.offset, fault.size) == (end, len(added))
    assert (fault.found, fault.expected) == (str(end), str(end + len(added)))


def test_an_end_record_without_any_directory_is_an_error() -> None:
    data = make_zip()
    changed = put(data, end_record(data) + 12, struct.pack("<II", 0x7FFF_0000, 3))
    changed = changed.replace(b"PK\1\2", b"XX\1\2")
    assert [item.severity for item in iter_zip_faults(BytesView(changed), Tally())] == [
        Severity.ERROR
    ]


def test_an_empty_archive_has_an_end_record_alone() -> None:
    data = make_zip({})
    assert faults(iter_zip_faults, data) == []
