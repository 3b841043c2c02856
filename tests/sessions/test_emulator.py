"""Limits of the kernel's mass-storage function in CD-ROM mode.

Values were measured on Linux 6.1.192 and 7.2.13 by reading each disc back
through the kernel's own USB CD-ROM driver, and read in storage_common.c.
"""

from __future__ import annotations

import pytest

from mediashelf.findings import Finding, Severity
from mediashelf.sessions.emulator import (
    EJECT,
    MAX_BLOCKS,
    MAX_PATH_SIZE,
    MAX_SIZE,
    MIN_BLOCKS,
    MIN_SIZE,
    check_lun,
    lun_settings,
)


def rules(findings: list[Finding]) -> list[str]:
    return [finding.rule for finding in findings]


def test_limits_are_the_measured_ones() -> None:
    assert (MIN_BLOCKS.value, MIN_SIZE) == (300, 614_400)
    assert (MAX_BLOCKS.value, MAX_SIZE) == (1_151_999, 2_359_293_952)
    assert MAX_PATH_SIZE.value == 4094


@pytest.mark.parametrize(
    ("size", "expected"),
    [
        (0, ["emulator-smallest-disc"]),
        (614_399, ["emulator-smallest-disc"]),  # refused, error 525
        (614_400, []),  # accepted
        (614_401, ["emulator-whole-blocks"]),
        (681_984_000, []),  # a 74-minute disc
        (2_359_293_952, []),
        (2_359_293_952 + 2047, ["emulator-whole-blocks"]),
        (2_359_293_952 + 2048, ["emulator-largest-disc"]),  # accepted, and silently cut
        (4_700_372_992, ["emulator-largest-disc"]),
    ],
)
def test_sizes(size: int, expected: list[str]) -> None:
    assert rules(list(check_lun(size))) == expected


def test_what_is_lost_of_a_disc_that_is_too_large() -> None:
    [finding] = check_lun(2_359_293_952 + 2 * 2048 + 7, where="big.iso")
    assert (finding.where, finding.offset, finding.length) == ("big.iso", 2_359_293_952, 4103)
    assert finding.severity is Severity.ERROR
    assert "4,103 bytes" in finding.remedy


def test_the_tail_is_a_warning_with_its_place() -> None:
    [finding] = check_lun(300 * 2048 + 5)
    assert (finding.severity, finding.offset, finding.length) == (Severity.WARNING, 614_400, 5)
    assert "truncate --size=616448" in finding.remedy


def test_raw_sectors_are_not_to_be_filled_up_with_zeros() -> None:
    """Their size is no multiple of a block, and a file with zeros after them has a bad sector."""
    assert rules(list(check_lun(2352 * 1001, looks_raw=True))) == ["emulator-data-sectors"]


@pytest.mark.parametrize(("length", "expected"), [(4094, []), (4095, ["emulator-path-length"])])
def test_path_length(length: int, expected: list[str]) -> None:
    assert rules(list(check_lun(1 << 20, path_bytes=length))) == expected


def test_raw_sectors_are_an_error_with_the_way_out() -> None:
    [finding] = check_lun(2352 * 1000 // 2048 * 2048, looks_raw=True)
    assert finding.rule == "emulator-data-sectors"
    assert "mediashelf convert" in finding.remedy


def test_everything_wrong_at_once_is_all_said() -> None:
    found = rules(list(check_lun(100, path_bytes=5000, looks_raw=True)))
    assert found == ["emulator-data-sectors", "emulator-smallest-disc", "emulator-path-length"]


def test_every_finding_has_a_source_and_a_remedy() -> None:
    findings = [
        *check_lun(100, path_bytes=5000, looks_raw=True),
        *check_lun(1 << 40),
        *check_lun((1 << 20) + 1),
    ]
    assert len({finding.rule for finding in findings}) == 5
    assert all(finding.source and finding.remedy for finding in findings)
    assert not any("practice" in finding.source for finding in findings)


# Settings: cdrom and ro can't be changed once the file is open, and the block size
# is chosen when it is opened. A manifest that writes them otherwise is refused
# (test_manifest_form).


def test_settings_come_in_the_order_that_works() -> None:
    assert lun_settings() == [("ro", "1"), ("cdrom", "1"), ("removable", "1")]
    assert lun_settings("01.iso") == [*lun_settings(), ("file", "01.iso")]


def test_ejecting_writes_a_newline() -> None:
    """A write of 0 bytes gives EFAULT and does nothing."""
    assert EJECT == "\n"
