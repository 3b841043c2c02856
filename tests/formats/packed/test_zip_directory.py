"""Where an archive's directory is, and what its records say of dates and kinds of file."""

from __future__ import annotations

import io
import struct
import zipfile
from datetime import UTC, datetime

import pytest

from byte_views import BytesView
from make_image import put
from mediashelf.errors import FormatError
from mediashelf.formats.packed.zip_directory import find_directory, iter_members
from mediashelf.formats.packed.zip_records import ZipMember


def made(
    date: tuple[int, int, int, int, int, int] = (1999, 6, 12, 10, 30, 58),
    *,
    extra: bytes = b"",
    system: int = 3,
    mode: int = 0o100644,
) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        information = zipfile.ZipInfo("TIDE.TXT", date)
        information.extra, information.create_system = extra, system
        information.external_attr = mode << 16
        archive.writestr(information, b"high water")
    return out.getvalue()


def listed(data: bytes) -> list[ZipMember]:
    view = BytesView(data)
    directory = find_directory(view)
    assert directory is not None
    return [member for _, member in iter_members(view, directory)]


def moment(*parts: int) -> int:
    return int(datetime(*parts, tzinfo=UTC).timestamp())  # type: ignore[misc,arg-type]


@pytest.mark.parametrize(
    "date", [(1980, 1, 1, 0, 0, 0), (1999, 6, 12, 10, 30, 58), (2107, 12, 31, 23, 59, 58)]
)
def test_dates_are_those_of_the_standard_library(date: tuple[int, ...]) -> None:
    data = made(date)  # type: ignore[arg-type]
    (member,) = listed(data)
    assert zipfile.ZipFile(io.BytesIO(data)).getinfo("TIDE.TXT").date_time == date
    assert member.modified == moment(*date)


def test_a_date_that_is_none_is_none() -> None:
    data = made()
    at = data.rindex(b"PK\1\2")
    assert listed(put(data, at + 14, b"\0\0"))[0].modified is None  # month 0, day 0
    assert listed(put(data, at + 12, b"\xff\xff"))[0].modified is None  # 31:63:62


def test_the_extra_field_with_times_goes_before() -> None:
    # Kind 0x5455, flags with bit 0: the modification time in UTC (from memory).
    times = struct.pack("<HHBi", 0x5455, 5, 1, 929_181_600)
    assert listed(made(extra=times))[0].modified == 929_181_600
    other = struct.pack("<HHHH", 0xCAFE, 4, 1, 2)
    assert listed(made(extra=other + times))[0].modified == 929_181_600
    without = struct.pack("<HHBi", 0x5455, 5, 2, 929_181_600)  # only the access time
    assert listed(made(extra=without))[0].modified == moment(1999, 6, 12, 10, 30, 58)
    cut = struct.pack("<HH", 0x5455, 1) + b"\1"
    assert listed(made(extra=cut))[0].modified == moment(1999, 6, 12, 10, 30, 58)


def test_modes_count_only_where_unix_made_the_archive() -> None:
    assert listed(made(mode=0o120777))[0].unix_mode == 0o120777
    assert listed(made(mode=0o120777, system=0))[0].unix_mode == 0


def test_an_archive_behind_other_bytes_is_found() -> None:
    directory = find_directory(BytesView(b"x" * 100 + made()))
    assert directory is not None
    assert directory.prefix == 100
    assert directory.entry_count == 1


@pytest.mark.parametrize("before", [b"", b"x" * 100])
def test_a_64_bit_end_record_that_says_the_same_is_passed_over(before: bytes) -> None:
    """As libarchive writes it with ``zip:zip64``; libarchive and zipfile read it (common practice).

    Its 76 bytes were taken for bytes before the archive, and the archive for a damaged one.
    """
    data = made()
    at = data.rindex(b"PK\5\6")
    here, total, size, offset = struct.unpack_from("<HHII", data, at + 8)
    record = struct.pack("<4sQHHIIQQQQ", b"PK\6\6", 44, 45, 45, 0, 0, here, total, size, offset)
    locator = struct.pack("<4sIQI", b"PK\6\7", 0, len(before) + at, 1)
    data = before + data[:at] + record + locator + data[at:]
    assert zipfile.ZipFile(io.BytesIO(data)).testzip() is None
    assert [member.name for member in listed(data)] == [b"TIDE.TXT"]
    directory = find_directory(BytesView(data))
    assert directory is not None and directory.prefix == len(before)


def test_what_is_no_archive_has_no_directory() -> None:
    for data in (b"", b"PK", b"PK\5\6", b"x" * 100_000):
        assert find_directory(BytesView(data)) is None


def test_a_directory_before_the_file_is_an_error_with_its_place() -> None:
    data = made()
    at = data.rindex(b"PK\5\6")
    with pytest.raises(FormatError) as caught:
        find_directory(BytesView(put(data, at + 16, b"\xff\xff\0\0")))
    assert caught.value.at == at


def test_more_members_than_there_are_end_with_an_error() -> None:
    data = made()
    at = data.rindex(b"PK\5\6")
    data = put(put(data, at + 8, b"\2\0"), at + 10, b"\2\0")
    view = BytesView(data)
    directory = find_directory(view)
    assert directory is not None
    members = iter_members(view, directory)
    assert next(members)[1].name == b"TIDE.TXT"
    with pytest.raises(FormatError):
        next(members)
