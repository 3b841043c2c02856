"""Programs and drivers: what their headers name is there, and the PE checksum is right.

The layouts (NE, LE, PE, and the PE checksum) are from memory. Real programs that Python
packages carry for another system are read where they are installed, as a check from outside.
"""

from __future__ import annotations

import importlib.util
import struct
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from byte_views import BytesView
from file_checks import faults, rules, tally
from make_files import make_le, make_mz, make_ne, make_pe, pe_checksum
from make_image import flip, put
from mediashelf.findings import Severity
from mediashelf.formats.packed.portable_executable import compute_pe_checksum
from mediashelf.formats.packed.programs import parse_mz_header
from mediashelf.integrity.inside.selfchecks.faults import Tally
from mediashelf.integrity.inside.selfchecks.programs import iter_program_faults


def described_end(data: bytes) -> int:
    """Where the part of a program ends that its headers describe."""
    walk = iter_program_faults(BytesView(data), Tally())
    while True:
        try:
            next(walk)
        except StopIteration as stop:
            return int(stop.value)


@pytest.mark.parametrize("wide", [False, True])
def test_a_pe_program_is_complete_and_its_checksum_right(wide: bool) -> None:
    made = make_pe(wide=wide, overlay=b"anything", certificates=b"c" * 40)
    counted = tally(iter_program_faults, made.data)
    assert counted.verified == {"PE sections": 4, "PE checksums": 1}
    assert described_end(made.data) == len(made.data) - 48


def test_a_pe_program_without_a_checksum_is_said_to_be_so() -> None:
    counted = tally(iter_program_faults, make_pe(checksum=False).data)
    assert counted.unverified == {"PE files without a checksum": 1}


@pytest.mark.parametrize(("subsystem", "severity"), [(2, Severity.NOTE), (1, Severity.WARNING)])
def test_a_wrong_checksum_weighs_more_in_a_driver(subsystem: int, severity: Severity) -> None:
    made = make_pe(subsystem=subsystem)
    (fault,) = faults(iter_program_faults, flip(made.data, made.at("data .text") + 3))
    assert (fault.rule, fault.severity) == ("program-checksum-agrees", severity)
    assert (fault.offset, fault.size) == (made.at("checksum"), 4)


@given(st.binary(min_size=160, max_size=400), st.integers(0, 70).map(lambda number: 2 * number))
@settings(derandomize=True, deadline=None)
def test_the_checksum_is_the_word_by_word_sum(data: bytes, at: int) -> None:
    assert compute_pe_checksum(BytesView(data), at) == pe_checksum(data, at)


@pytest.mark.parametrize("data", [bytes(200), b"\xff" * 200, b"\xff\xff" + bytes(198)])
def test_sums_of_zero_and_of_all_ones(data: bytes) -> None:
    assert compute_pe_checksum(BytesView(data), 100) == pe_checksum(data, 100)


def test_real_programs_are_sound() -> None:
    """Launchers that packaging libraries ship for another system, most with a linker's checksum."""
    found = []
    for name in ("setuptools", "pip"):
        package = importlib.util.find_spec(name)
        if package is not None and package.origin is not None:
            found += sorted(Path(package.origin).parent.rglob("*.exe"))
    if not found:
        pytest.skip("no package here carries programs of another system")
    counted = Tally()
    for path in found:
        assert list(iter_program_faults(BytesView(path.read_bytes()), counted)) == [], path.name
    assert counted.verified["PE sections"] > len(found)


def test_a_cut_pe_program_names_the_section() -> None:
    made = make_pe(checksum=False)
    at = made.at("data .data")
    (fault,) = faults(iter_program_faults, made.data[: at + 50])
    assert (fault.rule, fault.severity) == ("program-is-complete", Severity.ERROR)
    assert "section .data should be there" in fault.message
    assert "padding" not in fault.message
    assert (fault.offset, fault.size) == (at, 50)
    (fault,) = faults(iter_program_faults, made.data[: at - 10])
    assert "section .text and 1 more" in fault.message


def test_missing_padding_is_a_warning() -> None:
    made = make_pe(checksum=False)
    (fault,) = faults(iter_program_faults, made.data[: made.at("data .data") + 100])
    assert fault.severity is Severity.WARNING
    assert "only padding is missing" in fault.message


def test_a_cut_certificate_table_is_found() -> None:
    made = make_pe(checksum=False, certificates=b"c" * 40)
    (fault,) = faults(iter_program_faults, made.data[:-1])
    assert "certificates" in fault.message


@pytest.mark.parametrize(
    "made", [make_pe(checksum=False).data, make_ne().data, make_le().data, make_mz()]
)
def test_every_truncation_is_found(made: bytes) -> None:
    assert faults(iter_program_faults, made) == []
    # Shorter ones might be text; resources end anywhere in their last unit of 16 bytes.
    for size in range(4, len(made) - 15):
        assert faults(iter_program_faults, made[:size]), size


def test_ne_programs_are_complete() -> None:
    made = make_ne()
    assert tally(iter_program_faults, made.data).verified == {"NE segments and resources": 4}
    assert described_end(made.data) == len(made.data) - 15
    (fault,) = faults(iter_program_faults, made.data[: made.at("resource") + 5])
    assert "resource should be there" in fault.message
    (fault,) = faults(iter_program_faults, made.data[: made.at("relocations") + 5])
    assert "relocations of segment 1 and 1 more" in fault.message
    cut = made.data[: made.at("segment") + 5]
    assert any("segment 1" in fault.message for fault in faults(iter_program_faults, cut))


def test_resources_of_another_system_are_not_judged() -> None:
    made = make_ne()
    other = put(made.data, made.at("ne") + 54, b"\1")
    assert faults(iter_program_faults, other[: made.at("resource")]) == []


def test_the_last_unit_of_a_resource_may_be_cut_short() -> None:
    made = make_ne()
    assert faults(iter_program_faults, made.data[: made.at("resource") + 3 * 16 + 1]) == []
    assert faults(iter_program_faults, made.data[: made.at("resource") + 3 * 16])


def test_virtual_device_drivers_are_complete() -> None:
    made = make_le()
    assert tally(iter_program_faults, made.data).verified == {"LE tables and pages": 4}
    (fault,) = faults(iter_program_faults, made.data[: made.at("names") - 1])
    assert "pages and 1 more" in fault.message
    assert described_end(made.data) == len(made.data)


def test_le_pages_without_bytes_in_the_file_do_not_count() -> None:
    made = make_le(pages=3)
    entry = made.at("le") + 0xC4 + 24 + 4 * 2  # the third page becomes one of zeros
    data = put(made.data, entry, b"\0\0\0\3")[: made.at("pages") + 2 * 4096]
    data = put(data, made.at("le") + 0x88, struct.pack("<II", 0, 0))
    assert faults(iter_program_faults, data) == []


def test_dos_programs_are_as_long_as_they_say() -> None:
    assert tally(iter_program_faults, make_mz() + b"overlay").verified == {"DOS program sizes": 1}
    (fault,) = faults(iter_program_faults, make_mz()[:-1])
    assert (fault.severity, fault.offset, fault.size) == (Severity.WARNING, 2, 4)
    assert described_end(make_mz() + b"overlay") == len(make_mz())


@pytest.mark.parametrize("size", [511, 512, 513, 1024])
def test_dos_program_sizes_around_a_page(size: int) -> None:
    assert parse_mz_header(make_mz(b"x" * (size - 64))).size == size


def test_a_new_header_beyond_the_end_is_a_warning() -> None:
    data = put(make_pe().data, 60, struct.pack("<I", 1 << 30))
    (fault,) = faults(iter_program_faults, data)
    assert (fault.severity, fault.offset) == (Severity.WARNING, 60)


def test_nonsense_in_the_header_is_a_fault_but_text_is_none() -> None:
    assert rules(iter_program_faults, flip(make_mz(), 3)) == {"program-header-holds"}
    counted = tally(iter_program_faults, b"MZ is how this letter begins, and no program at all\r\n")
    assert counted.unverified == {"texts that begin with MZ": 1}


@pytest.mark.parametrize("offset", [24, 20])
def test_a_pe_header_that_cannot_be_read_is_a_fault(offset: int) -> None:
    made = make_pe()
    assert "program-header-holds" in rules(
        iter_program_faults, flip(made.data, made.at("pe") + offset)
    )


@pytest.mark.parametrize("wide", [False, True])
@pytest.mark.parametrize(
    "fields",
    [
        struct.pack("<HHHH", 0, 0, 0, 0),
        struct.pack("<HHHH", 0x1FEB, 0x5A90, 0, 0xFFFF),
        struct.pack("<HHHH", 0, 1, 0, 0xFFFF),
    ],
    ids=["zeros", "code", "header larger than the program"],
)
def test_a_pe_program_needs_no_sizes_of_a_dos_program(fields: bytes, wide: bool) -> None:
    """Kernels and boot programs have code or zeros there: the loader of PE never looks.

    Of the DOS header only the place of the PE signature counts: common practice.
    """
    made = make_pe(wide=wide)
    data = put(made.data, 2, fields)
    at = made.at("checksum")
    data = put(data, at, struct.pack("<I", pe_checksum(data, at)))
    counted = tally(iter_program_faults, data)
    assert counted.verified == {"PE sections": 3, "PE checksums": 1}
    # What the PE header says is checked all the same.
    assert "program-is-complete" in rules(iter_program_faults, data[:-600])


def test_without_a_pe_header_the_sizes_of_a_dos_program_count() -> None:
    data = put(make_mz(), 2, bytes(8))
    assert rules(iter_program_faults, data) == {"program-header-holds"}
