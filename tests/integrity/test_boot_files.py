"""The table in a boot file: where it is, how long it is, and the sum of its words.

There is no standard of it; pycdlib 1.22 writes it too (``boot_info_table``).
"""

from __future__ import annotations

import io
from collections.abc import Callable

import pycdlib
import pytest

from golden_discs import loader
from image_parts import le32
from make_image import MadeImage, flip, put
from mediashelf.findings import Finding, Severity

Find = Callable[[bytes], list[Finding]]


@pytest.mark.parametrize("size", [2048, 4999, 5000])
def test_what_pycdlib_writes_is_right_and_damage_to_it_is_found(size: int, find: Find) -> None:
    disc = pycdlib.PyCdlib()
    disc.new()
    code = (b"\xeb\xfe" + b"loader of the kiosk " * size)[:size]
    disc.add_fp(io.BytesIO(code), size, "/LOADER.BIN;1")
    disc.add_eltorito("/LOADER.BIN;1", "/BOOT.CAT;1", boot_load_size=4, boot_info_table=True)
    stream = io.BytesIO()
    disc.write_fp(stream)
    data = stream.getvalue()
    start = data.index(b"\xeb\xfe")
    assert find(data) == []
    for at in (64, 65, size // 2, size - 1):
        (finding,) = find(flip(data, start + at))
        assert finding.rule == "boot-file-checksum"
        assert finding.severity is (Severity.WARNING if size % 4 else Severity.ERROR)
        assert (finding.offset, finding.length) == (start, size)


@pytest.mark.parametrize("at", [*range(8, 12), *range(12, 16), *range(16, 18)])
def test_a_wrong_number_in_the_table_is_found(at: int, find: Find) -> None:
    made = loader()
    start = made.file("/LOADER.BIN")
    (finding,) = find(put(made.data, start + at, bytes([made.data[start + at] ^ 0x10])))
    assert (finding.rule, finding.severity) == ("boot-file-table", Severity.WARNING)
    assert finding.expected == f"descriptor at LBA 16, file at LBA {start // 2048}, 5,000 bytes"


@pytest.mark.parametrize("at", range(20, 24))
def test_a_wrong_sum_in_the_table_is_found(at: int, find: Find) -> None:
    made = loader()
    (finding,) = find(flip(made.data, made.file("/LOADER.BIN") + at))
    assert finding.rule == "boot-file-checksum"


def changed(made: MadeImage, at: int, new: bytes) -> bytes:
    return put(made.data, made.file("/LOADER.BIN") + at, new)


def test_other_boot_code_has_no_table(find: Find) -> None:
    made = loader()
    assert find(changed(made, 8, b"any code at all!")) == []
    assert find(changed(made, 8, bytes(16))) == []
    # Two numbers alone can be code: the length is out of all bounds.
    assert find(changed(made, 16, le32(0xFFFF_FFFF))) == []


@pytest.mark.parametrize(("sectors", "is_more"), [(0, False), (4, False), (12, False), (13, True)])
def test_firmware_loads_no_more_than_the_file(sectors: int, is_more: bool, find: Find) -> None:
    # 5,000 bytes fill 3 sectors of 2048, which are 12 of 512.
    made = loader()
    count = made.at("boot-catalog") + 32 + 6
    rules = {finding.rule for finding in find(put(made.data, count, bytes([sectors])))}
    assert rules == ({"boot-image-in-file"} if is_more else set())
