"""Names and counts at their limits, one step on either side of each."""

from __future__ import annotations

import pytest

from assigned_names import long, short
from mediashelf.building.naming.directory import PlannedDirectory
from mediashelf.building.naming.layout import Layout
from mediashelf.building.planning.checks import check_layout
from mediashelf.building.recipes.capacity import EMULATED_DRIVE
from mediashelf.building.tree import Content, DiscFile, DiscFolder
from mediashelf.building.writing.blocking import blocking
from mediashelf.findings import Severity

# "Naming Files, Paths, and Namespaces": COM1 to COM9, LPT1 to LPT9, with ¹²³ as well, under
# any extension.
PORTS = [f"{port}{number}" for port in ("COM", "LPT") for number in "123456789"]


@pytest.mark.parametrize("device", ["CON", "PRN", "AUX", "NUL", *PORTS])
def test_no_file_has_the_name_of_a_device(device: str) -> None:
    assert short(f"{device.lower()}.sys") == [f"{device}_.SYS"]
    assert long(f"{device.lower()}.sys") == [f"{device.lower()}_.sys"]
    assert long(device) == [f"{device}_"]


@pytest.mark.parametrize(
    "device", [f"{port}{number}" for port in ("com", "lpt") for number in "¹²³"]
)
def test_superscript_ports_are_devices_too(device: str) -> None:
    assert long(device) == [f"{device}_"]


@pytest.mark.parametrize("name", ["COM0", "LPT0", "COM", "COM10", "CONS"])
def test_what_looks_like_a_device_keeps_its_name(name: str) -> None:
    """The cited page lists none of these."""
    assert short(name) == [name]
    assert long(name) == [name]


def test_numbers_follow_each_other_from_one_digit_to_three() -> None:
    """Own behaviour: no number is left out, so that nobody looks for the missing one."""
    hosts = [f"driver package {number:03d}.inf" for number in range(101)]
    names = short(*hosts)
    assert names[0] == "DRIVERPA.INF"
    assert names[1:9] == [f"DRIVER_{number}.INF" for number in range(2, 10)]
    assert names[9:99] == [f"DRIVE_{number}.INF" for number in range(10, 100)]
    assert names[99:] == ["DRIV_100.INF", "DRIV_101.INF"]


def test_long_names_are_numbered_without_a_gap_as_well() -> None:
    hosts = ["DRIVER", "driver", "Driver", "dRiver", "drIver", "driVer", "drivEr", "driveR"]
    hosts += ["DRiver", "DRIver", "DRIVer"]
    assert sorted(name.upper() for name in long(*hosts)) == sorted(
        ["DRIVER", *(f"DRIVER_{number}" for number in range(2, 12))]
    )


def test_a_number_does_not_follow_a_second_underscore() -> None:
    """Own behaviour: the stem loses the underscores at its end before it gets a number."""
    assert short("abcde+fgh.txt", "abcde+fgi.txt", "abcde+fgj.txt") == [
        "ABCDE_FG.TXT",
        "ABCDE_2.TXT",
        "ABCDE_3.TXT",
    ]


def test_a_number_does_not_follow_a_space_of_a_long_name() -> None:
    """Own behaviour: a space before the number would show only where a name is cut."""
    stem = "w" * 57
    assert long(f"{stem} more one.txt", f"{stem} more two.txt") == [
        f"{stem} mo.txt",
        f"{stem}_2.txt",
    ]


@pytest.mark.parametrize(
    ("host", "expected"),
    [("a.b", "A.B"), ("a.htm", "A.HTM"), ("a.html", "A.HTM"), ("12345678.123", "12345678.123")],
)
def test_short_extensions_have_three_characters(host: str, expected: str) -> None:
    """ECMA-119 10.1: eight and three at level 1."""
    assert short(host) == [expected]


def test_a_long_extension_is_kept_up_to_half_of_the_name() -> None:
    """Own behaviour: what is longer is the end of a sentence with a dot in it."""
    assert long(f"{'x' * 80}.{'e' * 32}") == [f"{'x' * 31}.{'e' * 32}"]
    assert long(f"{'x' * 80}.{'e' * 33}") == ["x" * 64]


@pytest.mark.parametrize(("count", "rules"), [(65_535, []), (65_536, ["too-many-folders"])])
def test_folders_are_counted_up_to_what_a_path_table_can_number(
    count: int, rules: list[str]
) -> None:
    """ECMA-119 9.4.4: the number of the parent directory has 16 bits, and the root is number 1."""
    directories = [PlannedDirectory(DiscFolder(""), is_long=False)] * count
    findings = list(check_layout(Layout(directories, directories, [], 100_000), EMULATED_DRIVE))
    assert [finding.rule for finding in findings] == rules
    assert all(finding.severity is Severity.ERROR for finding in findings)


FILE = DiscFile("a", Content("a", 0), 0)


@pytest.mark.parametrize(
    ("path", "count", "size", "is_read"),
    [
        ("", 999_999, 2048, True),
        ("", 1_000_000, 2048, False),
        ("/a" * 255, 1, 2048, True),
        ("/a" * 256, 1, 2048, False),
        (f"/{'a' * 4095}", 32_760, 2048, True),
        (f"/{'a' * 4095}", 32_761, 2048, False),  # the paths together
        (f"/{'a' * 4096}", 1, 2048, False),
        ("", 1, 64 << 20, True),
        ("", 1, (64 << 20) + 2048, False),
    ],
)
def test_what_could_not_be_read_back_is_refused_before_it_is_written(
    path: str, count: int, size: int, is_read: bool
) -> None:
    """The bounds of our own reader, which the finished disc must pass."""
    directory = PlannedDirectory(DiscFolder(""), is_long=True, path=path, size=size)
    directory.items = [FILE] * count
    findings = list(check_layout(Layout([], [directory], [], 100_000), EMULATED_DRIVE))
    assert [one.rule for one in findings] == ([] if is_read else ["beyond-reading-back"])
    assert [one.rule for one in blocking(findings, anyway=True)] == [one.rule for one in findings]
