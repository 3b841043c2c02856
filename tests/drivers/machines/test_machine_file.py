"""Hardware ids one a line, copies of device lists, and lines that make no sense."""

from __future__ import annotations

import random
import time
from pathlib import Path

import pytest

from mediashelf.drivers.machines.line_findings import MAX_SHOWN
from mediashelf.drivers.machines.reading import MAX_FILE, parse_machine, read_machine
from mediashelf.errors import InputError
from mediashelf.findings import Severity

IDS = """\
# the kiosk, by hand
PCI\\VEN_F2C4&DEV_0301&SUBSYS_001EF2C4&REV_03
pci\\ven_f4b9&dev_0100

USB\\VID_F1B2&PID_0003
*PNP0501
ISAPNP\\QLN0031_DEV0000
*QLN0000
"""

DEVICE_LIST = """\
Display adapters
    Larkspur Video 3
        PCI\\VEN_F2C4&DEV_0301&SUBSYS_001EF2C4&REV_03\\3&61AAA01&0&08
        Hardware ids:
            PCI\\VEN_F2C4&DEV_0301&SUBSYS_001EF2C4&REV_03
            PCI\\VEN_F2C4&DEV_0301&SUBSYS_001EF2C4
        Compatible ids:
            PCI\\VEN_F2C4&CC_030000
            PCI\\CC_0300
Network adapters
    Ternfield LAN
        PCI\\VEN_F4B9&DEV_0100\\4&1
        Driver: none
"""


def test_ids_one_a_line() -> None:
    machine = parse_machine(IDS)
    assert machine.findings == ()
    assert [device.hardware_ids[0] for device in machine.devices] == [
        "PCI\\VEN_F2C4&DEV_0301&SUBSYS_001EF2C4&REV_03",
        "PCI\\VEN_F4B9&DEV_0100",
        "USB\\VID_F1B2&PID_0003",
        "ACPI\\PNP0501",
        "ISAPNP\\QLN0031_DEV0000",
    ]
    assert machine.devices[3].hardware_ids[1:] == ("*PNP0501",)
    assert [device.line for device in machine.devices] == [2, 3, 5, 6, 7]
    # device-identification-strings shows such a pair for a multifunction card.
    assert machine.devices[4].hardware_ids[1] == "*QLN0000"


def test_one_full_id_gives_the_published_lists() -> None:
    device = parse_machine(IDS).devices[0]
    assert device.hardware_ids[1:4] == (
        "PCI\\VEN_F2C4&DEV_0301&SUBSYS_001EF2C4",
        "PCI\\VEN_F2C4&DEV_0301&REV_03",
        "PCI\\VEN_F2C4&DEV_0301",
    )
    assert device.compatible_ids[-1] == "PCI\\VEN_F2C4"


def test_copy_of_a_device_list() -> None:
    machine = parse_machine(DEVICE_LIST)
    assert machine.findings == ()
    first, second = machine.devices
    assert first.name == "Larkspur Video 3"
    assert first.function == (0xF2C4, 0x0301, (0xF2C4, 0x001E), 3, 0x0300, 0, None)
    assert second.name == "Ternfield LAN"
    assert second.hardware_ids == ("PCI\\VEN_F4B9&DEV_0100",)


def test_ids_of_one_function_on_following_lines_are_one_device() -> None:
    text = "PCI\\VEN_F4B9&DEV_0100&SUBSYS_00010001\nPCI\\VEN_F4B9&DEV_0100&REV_01\nPCI\\CC_0200\n"
    (device,) = parse_machine(text).devices
    assert device.hardware_ids[0] == "PCI\\VEN_F4B9&DEV_0100&SUBSYS_00010001&REV_01"
    assert device.compatible_ids[-1] == "PCI\\CC_0200"


def test_two_boards_with_one_chip_are_two_devices() -> None:
    text = "PCI\\VEN_F4B9&DEV_0100&SUBSYS_00010001\nPCI\\VEN_F4B9&DEV_0100&SUBSYS_00020001\n"
    assert len(parse_machine(text).devices) == 2


def test_several_ids_on_a_line_are_one_device_and_text_before_them_is_its_name() -> None:
    (device,) = parse_machine('Serial port: *PNP0501, *PNP0500, "SERENUM\\X"\n').devices
    assert device.name == "Serial port"
    assert device.hardware_ids == ("*PNP0501", "*PNP0500", "SERENUM\\X")


def test_names_in_any_letters() -> None:
    (device,) = parse_machine("Großer Anschluß: *PNP0501\n").devices
    assert device.name == "Großer Anschluß"


def test_usb_device_with_its_class() -> None:
    text = "USB\\VID_F1B2&PID_0003&REV_0100\nUSB\\VID_F1B2&PID_0003\nUSB\\Class_08\n"
    (device,) = parse_machine(text).devices
    assert device.hardware_ids == ("USB\\VID_F1B2&PID_0003&REV_0100", "USB\\VID_F1B2&PID_0003")
    assert device.compatible_ids == ("USB\\CLASS_08",)


@pytest.mark.parametrize(
    ("text", "rule", "line"),
    [
        ("*PNP0501\nwhat is this\n", "machine-line-unknown", 2),
        ("*PNP0501\n\n\n12345\n", "machine-line-unknown", 4),
        ("*PNP0501\nPCI\\VEN_F2C4&DEV_03\n", "identifier-malformed", 2),
        ("*PNP0501\nPCI\\VEN_F2C4&DEV_03O1\n", "identifier-malformed", 2),
        ("*PNP0501\nUSB\\VID_1&PID_2\n", "identifier-malformed", 2),
    ],
)
def test_lines_without_sense_are_findings(text: str, rule: str, line: int) -> None:
    machine = parse_machine(text, name="m.txt")
    assert [device.hardware_ids for device in machine.devices] == [("ACPI\\PNP0501", "*PNP0501")]
    (finding,) = machine.findings
    assert (finding.rule, finding.where) == (rule, f"m.txt line {line}")
    assert finding.severity is Severity.WARNING


@pytest.mark.parametrize("text", ["", "\n\n", "# nothing\n", "Name: x\n"])
def test_no_device_is_an_error_finding(text: str) -> None:
    finding = parse_machine(text).findings[-1]
    assert (finding.rule, finding.severity) == ("machine-without-devices", Severity.ERROR)


def test_many_lines_without_sense_are_counted() -> None:
    machine = parse_machine("*PNP0501\n" + "x\n" * 1000)
    assert len(machine.findings) == MAX_SHOWN + 1
    assert machine.findings[-1].message == f"{1000 - MAX_SHOWN} more lines with problems"
    assert {finding.severity for finding in machine.findings} == {Severity.WARNING}


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "cp1252"])
def test_files_in_every_encoding(tmp_path: Path, encoding: str) -> None:
    path = tmp_path / "machine.txt"
    path.write_bytes(IDS.replace("kiosk", "Kiösk").encode(encoding))
    machine = read_machine(path)
    assert len(machine.devices) == 5
    assert machine.findings == ()


def test_files_that_cannot_be_read_are_errors(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="cannot be read"):
        read_machine(tmp_path / "none.txt")
    with pytest.raises(InputError, match="cannot be read"):
        read_machine(tmp_path)
    large = tmp_path / "large.txt"
    with large.open("wb") as stream:
        stream.truncate(MAX_FILE + 1)
    with pytest.raises(InputError, match="larger than"):
        read_machine(large)


def test_mutated_files_give_devices_and_findings_and_never_an_error() -> None:
    """2,000 texts from a fixed seed, each from pieces of the forms above."""
    random_ = random.Random(4)
    pieces = [*IDS.splitlines(), *DEVICE_LIST.splitlines(), "Slot:\t00:0a.0", "Device:\t1600"]
    pieces += ['00:0a.0 "0401" "f3d7" "1600" "" ""', "00:0a.0 Sound [0401]: A [f3d7:1600] (rev 02)"]
    pieces += [
        "\tSubsystem: B [f3d7:0016]",
        "Class:\t0401",
        "Vendor:\tf3d7",
        "",
        "\0",
        '"',
        "[" * 9,
    ]
    found = 0
    for _ in range(2000):
        lines = [random_.choice(pieces) for _ in range(random_.randint(1, 8))]
        text = "\n".join(lines)
        for _ in range(random_.randint(0, 6)):
            at = random_.randrange(len(text) + 1)
            text = (
                text[:at] + random_.choice('\\&_[]":\t*0fF\n') + text[at + random_.choice((0, 1)) :]
            )
        machine = parse_machine(text)
        found += len(machine.devices) + len(machine.findings)
    assert found > 2000


@pytest.mark.parametrize(
    "text",
    [
        "00:00.0 " + "[0600]: " * 50_000,
        '00:00.0 "' + '\\"' * 100_000,
        "00:00.0 A [0600]: " + " [f2c4:" * 50_000,
        "PCI\\" + "VEN_F2C4&" * 50_000,
        "*PNP0501 " * 50_000,
        "*PNP0501\n" * 20_000,
        "PCI\\VEN_F2C4&DEV_0301\n" * 20_000,
        "\tSubsystem:" * 50_000,
        "key: value\n" * 20_000,
        "".join(" " * (number % 900) + "x\n" for number in range(20_000)),
        "Bus 001 Device 002: ID f1b2:0003\n" + "  bLength 9\n" * 50_000,
        "REGEDIT4\n[HKEY_LOCAL_MACHINE\\Enum\\PCI\\X]\n" + '"a"=hex(7):41,\\\n' * 50_000,
        "DeviceID,Name\n" + "PCI\\VEN_F2C4&DEV_0301," * 50_000,
        "00:00.0 0600: f6e2:2000\n" + "\tSubsystem: " + "f6e2 " * 50_000,
    ],
)
def test_hostile_files_take_linear_time(text: str) -> None:
    start = time.process_time()
    parse_machine(text)
    assert time.process_time() - start < 5
