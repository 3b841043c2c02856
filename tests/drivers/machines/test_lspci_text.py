"""The text of lspci: what the program itself prints for invented devices, and broken lines."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import pytest

from mediashelf.drivers.machines.reading import parse_machine

# Slot, vendor, device, class with interface, revision, subsystem (id, vendor). All invented.
DEVICES = [
    ("00:00.0", 0xF6E2, 0x2000, 0x060000, 0x02, None),
    ("00:01.0", 0xF6E2, 0x2002, 0x060400, 0x00, None),
    ("00:07.1", 0xF6E2, 0x2010, 0x01018A, 0x00, (0x0034, 0xF6E2)),
    ("00:0a.0", 0xF3D7, 0x1600, 0x040100, 0x02, (0x0016, 0xF3D7)),
    ("00:0b.0", 0xF4B9, 0x0100, 0x020000, 0x01, (0x0001, 0xF5AA)),
    ("01:00.0", 0xF2C4, 0x0301, 0x030000, 0x03, (0x001E, 0xF2C4)),
]

NAMES = """\
f2c4  Larkspur Video
\t0301  Accelerator "3" [fast: yes] 64M
\t\tf2c4 001e  Accelerator 3 Tall
f3d7  Quillon Audio
\t1600  Audio 16
f6e2  Mossgate
C 03  Display controller
\t00  VGA compatible controller
C 04  Multimedia controller
\t01  Multimedia audio controller
"""


def configuration_space(slot: str, *numbers: object) -> str:
    """Return a dump as lspci -F reads it: 64 bytes of configuration space."""
    vendor, device, class_code, revision, subsystem = numbers
    data = bytearray(64)
    data[0:2] = int(vendor).to_bytes(2, "little")  # type: ignore[call-overload]
    data[2:4] = int(device).to_bytes(2, "little")  # type: ignore[call-overload]
    data[8] = int(revision)  # type: ignore[call-overload]
    data[9:12] = int(class_code).to_bytes(3, "little")  # type: ignore[call-overload]
    data[14] = 1 if class_code == 0x060400 else 0
    if isinstance(subsystem, tuple):
        data[0x2C:0x2E] = subsystem[1].to_bytes(2, "little")
        data[0x2E:0x30] = subsystem[0].to_bytes(2, "little")
    rows = [f"{at:02x}: {data[at : at + 16].hex(' ')}" for at in range(0, 64, 16)]
    return "\n".join([f"{slot} device", *rows, "", ""])


@pytest.fixture(scope="module")
def lspci(tmp_path_factory: pytest.TempPathFactory) -> list[str]:
    program = shutil.which("lspci", path="/usr/bin:/sbin:/usr/sbin:/bin")
    if program is None:
        pytest.skip("lspci of pciutils is not installed")
    folder = tmp_path_factory.mktemp("pci")
    dump, names = folder / "dump.txt", folder / "names.ids"
    dump.write_text("".join(configuration_space(*device) for device in DEVICES))
    names.write_text(NAMES)
    return [program, "-F", str(dump), "-i", str(names)]


def printed(lspci: list[str], form: str) -> str:
    done = subprocess.run([*lspci, form], capture_output=True, text=True, check=True, timeout=30)
    return done.stdout


@pytest.mark.parametrize(
    "form",
    [
        *("-nmm", "-nnmm", "-nvmm", "-nnvmm", "-nvm", "-nnvm", "-nm", "-nnvmmD", "-nmmD"),
        # The registers tell it too, also where the lines have names alone.
        *("-x", "-nx", "-nnx", "-vx", "-nnkxxx", "-nvmmx"),
    ],
)
def test_forms_for_machines_and_registers_tell_everything(lspci: list[str], form: str) -> None:
    machine = parse_machine(printed(lspci, form))
    assert machine.findings == ()
    found = [
        (device.slot.removeprefix("0000:"), device.function)
        for device in machine.devices
        if device.function is not None
    ]
    expected = []
    for slot, vendor, device, class_code, revision, subsystem in DEVICES:
        board = (subsystem[1], subsystem[0]) if subsystem else (0, 0)
        if class_code == 0x060400 and "x" in form and "mm" not in form:
            board = None  # a bridge has it at another place
        expected.append(
            (slot, (vendor, device, board, revision, class_code >> 8, class_code & 255, None))
        )
    assert found == expected


@pytest.mark.parametrize("form", ["-n", "-nn", "-nD", "-nnD"])
def test_short_forms_tell_no_subsystem_and_no_interface(lspci: list[str], form: str) -> None:
    machine = parse_machine(printed(lspci, form))
    assert machine.findings == ()
    assert [device.function for device in machine.devices] == [
        (vendor, device, None, revision, class_code >> 8, None, None)
        for _, vendor, device, class_code, revision, _ in DEVICES
    ]


@pytest.mark.parametrize("form", ["-tvnn", "-tvn"])
def test_a_tree_tells_the_chips(lspci: list[str], form: str) -> None:
    devices = parse_machine(printed(lspci, form)).devices
    # The bridge has no line of its own.
    assert [device.function for device in devices] == [
        (vendor, device, None, None, None, None, None)
        for _, vendor, device, class_code, *_ in DEVICES
        if class_code != 0x060400
    ]
    names = [device.name for device in devices if device.name]
    assert names[2:3] == (["Quillon Audio Audio 16"] if "nn" in form else [])


@pytest.mark.parametrize("form", ["-nv", "-nnv", "-nnk", "-nnvvx"])
def test_forms_with_details_tell_the_subsystem(lspci: list[str], form: str) -> None:
    machine = parse_machine(printed(lspci, form))
    assert machine.findings == ()
    boards = [device.function and device.function.subsystem for device in machine.devices]
    assert boards[2:] == [(s[1], s[0]) for *_, s in DEVICES[2:] if s is not None]
    assert machine.devices[2].hardware_ids[1] == "PCI\\VEN_F6E2&DEV_2010&SUBSYS_0034F6E2"


def test_names_come_from_the_forms_that_have_them(lspci: list[str]) -> None:
    for form in ("-nn", "-nnmm", "-nnvmm"):
        titles = [device.title for device in parse_machine(printed(lspci, form)).devices]
        assert len(titles) == len(DEVICES)
        assert titles[0] == "Mossgate host bridge"
        assert titles[3] == "Quillon Audio Audio 16"
        assert titles[4] == "network PCI\\VEN_F4B9&DEV_0100"
        assert titles[5] == 'Larkspur Video Accelerator "3" [fast: yes] 64M'


@pytest.mark.parametrize("form", ["-mm", "-vmm", "-m", "-vm", "-v", "-D"])
def test_names_without_numbers_are_findings(lspci: list[str], form: str) -> None:
    machine = parse_machine(printed(lspci, form), name="m.txt")
    rules = [finding.rule for finding in machine.findings]
    assert rules.count("names-without-numbers") >= 4
    assert machine.findings[0].where == "m.txt line 1"
    assert "lspci -nnvmm" in machine.findings[0].remedy


def test_the_subsystem_stands_as_published(lspci: list[str]) -> None:
    # identifiers-for-pci-devices: subsystem id, then subsystem vendor.
    machine = parse_machine(printed(lspci, "-nnvmm"))
    assert machine.devices[4].hardware_ids[0] == ("PCI\\VEN_F4B9&DEV_0100&SUBSYS_0001F5AA&REV_01")


def test_options_may_stand_anywhere_and_new_ones_are_ignored() -> None:
    # man lspci: the order of positional words and options is undefined.
    line = '00:0a.0 -r02 "0401" -Z1 "f3d7" -p00 "1600" "f3d7" -xx "0016"'
    (device,) = parse_machine(line).devices
    assert device.function == (0xF3D7, 0x1600, (0xF3D7, 0x0016), 2, 0x0401, 0, None)


def test_record_lines_may_come_in_any_order_with_unknown_tags() -> None:
    # man lspci: order undefined but for the slot, unknown tags to be ignored.
    text = "Slot:\t00:0a.0\nNew:\tx\nDevice:\t1600\nRev:\t02\nVendor:\tf3d7\nClass:\t0401\n"
    (device,) = parse_machine(text).devices
    assert device.function is not None
    assert device.function.revision == 2


@pytest.mark.parametrize("form", ["-nnvmm", "-nvm"])
def test_copies_that_lost_tabs_and_blank_lines(lspci: list[str], form: str) -> None:
    text = printed(lspci, form)
    spoilt = text.replace("\t", "    ").replace("\n\n", "\n")
    assert "\t" in text and "\t" not in spoilt
    found = [device.function for device in parse_machine(spoilt).devices]
    assert found == [device.function for device in parse_machine(text).devices]
    assert len(found) == len(DEVICES)


@pytest.mark.parametrize(
    ("text", "rule", "line"),
    [
        ("Slot:\t00:0a.0\nClass:\t0401\nVendor:\tf3d7\n", "machine-record-incomplete", 1),
        ('\n00:0a.0 "0401" "f3d7"\n', "machine-line-unknown", 2),
        ('00:0a.0 "0401" stray "f3d7" "1600"\n', "machine-line-unknown", 1),
        ("00:0a.0 0401: f3d7:160\n", "names-without-numbers", 1),
        ("00:0a.0 Sound [0401]: Audio [f3d7]\n", "names-without-numbers", 1),
    ],
)
def test_broken_lines_are_findings_with_their_number(text: str, rule: str, line: int) -> None:
    machine = parse_machine(text, name="m.txt")
    assert machine.devices == ()
    assert (machine.findings[0].rule, machine.findings[0].where) == (rule, f"m.txt line {line}")
    assert machine.findings[-1].rule == "machine-without-devices"


def test_a_line_that_is_cut_off_tells_no_revision() -> None:
    whole = "00:0a.0 Sound [0401]: Audio [f3d7:1600] (rev 02)\n"
    for end, revision in ((-1, 2), (-3, None), (-8, None), (-10, 0)):
        (device,) = parse_machine(whole[:end]).devices
        assert device.function is not None and device.function.revision == revision


def test_example_machine_of_the_demo_is_understood() -> None:
    path = Path(__file__).parents[3] / "mediashelf/demo/data/devices.txt"
    machine = parse_machine(path.read_text("ascii"))
    assert machine.findings == ()
    assert len(machine.devices) == 6
