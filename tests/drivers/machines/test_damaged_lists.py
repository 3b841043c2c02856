"""Device lists with damage: a device is as it was, or the place that is damaged is named."""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from device_texts import LSUSB_DETAILS, hex_list
from mediashelf.drivers.machines.reading import Machine, parse_machine, read_machine

ENUM = "HKEY_LOCAL_MACHINE\\SYSTEM\\CurrentControlSet\\Enum"


CHIP = hex_list("PCI\\VEN_F2C4&DEV_0301")
KIND = hex_list("PCI\\VEN_F2C4&CC_0300", "PCI\\CC_0300")
PORT = hex_list("ACPI\\PNP0501", "*PNP0501")

USB = (
    LSUSB_DETAILS.lstrip("\n")
    .replace("{interfaces}", "1")
    .replace("      bInterfaceNumber        0\n", "")
    + "\n"
)
FORMS = {
    "lsusb -v": USB + USB.replace("0003", "0004"),
    "lspci -v": (
        "00:02.0 VGA [0300]: Larkspur [f2c4:0301] (rev 03)\n\tSubsystem: Larkspur [f2c4:0016]\n"
        "\tFlags: fast devsel\n\n00:03.0 LAN [0200]: T [f4b9:0100]\n\tFlags: fast devsel\n"
    ),
    "lspci -n -x": (
        "00:02.0 0300: f2c4:0301 (rev 03)\n"
        "00: c4 f2 01 03 07 00 90 02 03 00 00 03 00 00 00 00\n"
        "10: 00 00 00 00 00 00 00 00 00 00 00 00 00 00 00 00\n"
        "20: 00 00 00 00 00 00 00 00 00 00 00 00 c4 f2 16 00\n\n"
    ),
    "lspci -nnmm": (
        '00:02.0 "VGA [0300]" "Larkspur [f2c4]" "Video [0301]" -r03 "L [f2c4]" "B [0016]"\n'
        '00:03.0 "LAN [0200]" "Tern [f4b9]" "Lan [0100]" "" ""\n'
    ),
    "lspci -nnvmm": (
        "Slot:\t00:02.0\nClass:\tVGA [0300]\nVendor:\tLarkspur [f2c4]\nDevice:\tVideo [0301]\n"
        "SVendor:\tL [f2c4]\nSDevice:\tB [0016]\nRev:\t03\n\n"
    ),
    "export": (
        f"Windows Registry Editor Version 5.00\n\n[{ENUM}\\PCI\\VEN_F2C4&DEV_0301\\3]\n"
        f'"DeviceDesc"="Larkspur Video 3"\n"HardwareID"={CHIP}\n'
        f'"CompatibleIDs"={KIND}\n\n'
        f'[{ENUM}\\ACPI\\PNP0501\\1]\n"HardwareID"={PORT}\n'
    ),
    "table": "Name,DeviceID\nLarkspur,PCI\\VEN_F2C4&DEV_0301\\3\nTern,USB\\VID_F4B9&PID_0100\\3\n",
    "ids": "PCI\\VEN_F2C4&DEV_0301&SUBSYS_001EF2C4\nUSB\\VID_F4B9&PID_0100\n",
}


def identifiers(machine: Machine) -> list[object]:
    return [device.identifiers for device in machine.devices]


# The form, what is replaced in it, by what, and what the finding says.
DAMAGE = [
    (
        "lsusb -v",
        "bcdDevice            1.07",
        "bcdDevice",
        "line 1: the details of lsusb -v lack bcd",
    ),
    (
        "lsusb -v",
        "bDeviceSubClass         0",
        "bDev",
        "line 1: the details of lsusb -v lack the class",
    ),
    (
        "lsusb -v",
        "bNumInterfaces          1",
        "bNumInterfaces  1.0",
        "line 1: the details of lsusb",
    ),
    (
        "lsusb -v",
        "bInterfaceClass         8",
        "bInterf",
        "line 1: the details of lsusb -v lack the cl",
    ),
    (
        "lsusb -v",
        "\nBus 001 Device 002: ID f1b2:0004 Quillon Camera 3\n",
        "",
        "line 17: details of a device begin",
    ),
    ("lspci -v", "(rev 03)", "(rev 0", "line 1: the line goes on as '(rev 0'; expected (rev NN)"),
    ("lspci -v", "(rev 03)", "\n (rev 03)", "line 2: the revision is here; expected at the device"),
    ("lspci -v", "[f2c4:0016]", "[f2c4:0", "line 2: Subsystem: Larkspur [f2c4:0; expected"),
    ("lspci -n -x", "c4 f2 16 00", "c4 f2 16", "line 4: the row of registers has 15 bytes; exp"),
    ("lspci -n -x", "00: c4 f2", "00: c4 f1", "line 2: the registers say f1c4:0301; expected f2c4"),
    ("lspci -nnmm", ' "B [0016]"', "", "line 1: the line has 4 words in quotes; expected 5"),
    ("lspci -nnmm", "B [0016]", "B [0016", "line 1: the subsystem is 'L [f2c4]', 'B [0016'; exp"),
    ("lspci -nnmm", "-r03", "-r0", "line 1: Rev is '0'; expected two hexadecimal digits"),
    ("lspci -nnvmm", "SVendor:\tL [f2c4]", "SVendor:\tL [f", "line 1: the subsystem is 'L [f', 'B"),
    ("lspci -nnvmm", "Rev:\t03", "Rev:\t0", "line 1: Rev is '0'; expected two hexadecimal digits"),
    ("export", "56,00,45", "56,00 zz,45", "line 3: HardwareID of PCI\\VEN_F2C4&DEV_0301\\3 is hex"),
    ("export", "56,00,45", "56,0,45", "line 3: HardwareID of PCI\\VEN_F2C4&DEV_0301\\3 is hex(7)"),
    ("export", "56,00,45", "56,45", "line 3: HardwareID of PCI\\VEN_F2C4&DEV_0301\\3 "),
    (
        "export",
        '"HardwareID"',
        '"HardID"',
        "line 3: PCI\\VEN_F2C4&DEV_0301\\3 has CompatibleIDs al",
    ),
    (
        "export",
        '"HardwareID"=',
        '"HardwareID"=\n',
        "line 3: HardwareID of PCI\\VEN_F2C4&DEV_0301\\",
    ),
    ("table", "&DEV_0301", "&DEV_0", "line 2: PCI\\VEN_F2C4&DEV_0 is not a complete identifier"),
    ("ids", "F2C4&DEV", "F2C4 zz &DEV", "line 1: PCI\\VEN_F2C4 zz &DEV_0301&SUBSYS_001EF2C4 is no"),
    ("ids", "F2C4&DEV", "F2C4\n&DEV", "line 2: &DEV_0301&SUBSYS_001EF2C4 is not a complete ident"),
]


@pytest.mark.parametrize(("form", "old", "new", "said"), DAMAGE)
def test_damage_is_named_with_its_place(form: str, old: str, new: str, said: str) -> None:
    text = FORMS[form]
    assert old in text
    assert parse_machine(text).findings == ()
    machine = parse_machine(text.replace(old, new, 1), name="m")
    lines = [f"{one.where}: {one.message}".removeprefix("m ") for one in machine.findings]
    assert any(line.startswith(said) for line in lines), lines


@pytest.mark.parametrize("form", FORMS)
def test_a_line_among_others_changes_no_device_in_silence(form: str) -> None:
    """A prompt, a pager's line, a warning of another program: devices stay as they are."""
    lines = FORMS[form].split("\n")
    expected = identifiers(parse_machine(FORMS[form]))
    for junk in (
        "zzz qqq",
        "-- more --",
        "[root@bench ~]# ",
        "C:\\> dir",
        "12 34",
        '"',
        "key: value",
    ):
        for place in range(len(lines) + 1):
            machine = parse_machine("\n".join([*lines[:place], junk, *lines[place:]]))
            assert identifiers(machine) == expected or machine.findings, (junk, place)


@pytest.mark.parametrize("form", ["lspci -n -x", "lspci -nnmm", "export"])
def test_a_line_that_is_cut_changes_no_device_in_silence(form: str) -> None:
    rng = random.Random(form)
    lines = FORMS[form].split("\n")
    expected = identifiers(parse_machine(FORMS[form]))
    for _ in range(300):
        place = rng.randrange(len(lines))
        cut = lines[place][: rng.randrange(1, len(lines[place]) + 1)] if lines[place] else "x"
        machine = parse_machine("\n".join([*lines[:place], cut, *lines[place + 1 :]]))
        assert identifiers(machine) == expected or machine.findings, (place, cut)


def test_the_first_interface_alone_gives_the_class() -> None:
    machine = parse_machine(USB.replace("bInterfaceClass         8 Mass Storage", "zzz"))
    assert "USB\\CLASS_03" not in machine.devices[0].compatible_ids
    assert machine.findings


VIDEO, LAN = "PCI\\VEN_F2C4&DEV_0301", "PCI\\VEN_F4B9&DEV_0100"
STICK = "USB\\VID_F4B9&PID_0B10"


@pytest.mark.parametrize(
    "text",
    [f"Video: {VIDEO}; LAN: {LAN}\n", f"{VIDEO} {LAN}", f'"{VIDEO}","{LAN}"', f"{LAN},{VIDEO}"],
)
def test_two_devices_on_a_line_are_two(text: str) -> None:
    """Own behaviour: the driver of one must not cover the other."""
    devices = parse_machine(text).devices
    assert sorted(device.hardware_ids for device in devices) == [(VIDEO,), (LAN,)]
    buses = parse_machine(f"{VIDEO} {STICK}\n").devices
    assert [device.hardware_ids for device in buses] == [(VIDEO,), (STICK,)]


def test_a_list_below_the_place_of_a_device_has_the_order() -> None:
    """The path of an instance has no revision; the list of hardware ids below begins with it."""
    text = f"{STICK}\\6&2\n    Hardware IDs:\n        {STICK}&REV_0100\n        {STICK}\n"
    (device,) = parse_machine(text).devices
    assert device.hardware_ids == (f"{STICK}&REV_0100", STICK)


def registry(*keys: tuple[str, str]) -> str:
    rows = [f"[{path}\\3&1]\n{values}\n" for path, values in keys]
    return "Windows Registry Editor Version 5.00\n\n" + "\n".join(rows)


def test_control_sets_of_one_system_have_each_device_once() -> None:
    """CurrentControlSet is one of the numbered sets (from memory): nothing is there twice."""
    values = f'"HardwareID"={hex_list(VIDEO)}\n'
    tops = [ENUM, *(ENUM.replace("CurrentControlSet", f"ControlSet00{n}") for n in (1, 2))]
    machine = parse_machine(registry(*((f"{top}\\{VIDEO}", values) for top in tops)))
    assert [device.line for device in machine.devices] == [3]
    two = registry((f"{ENUM}\\{VIDEO}", values)) + f"[{ENUM}\\{VIDEO}\\3&2]\n{values}"
    assert len(parse_machine(two).devices) == 2


def test_a_key_without_its_ids_is_a_device_all_the_same() -> None:
    name = '"DeviceDesc"="Ternfield LAN"\n'
    machine = parse_machine(registry((f"{ENUM}\\{LAN}", name), (f"{ENUM}\\Q\\X", name)), name="m")
    assert [(one.name, one.hardware_ids) for one in machine.devices] == [("Ternfield LAN", (LAN,))]
    assert [finding.rule for finding in machine.findings] == ["machine-text-damaged"]


@pytest.mark.parametrize(
    ("value", "said"),
    [
        (hex_list("PCI\\VEN_F2C4\u2019DEV_0301"), "expected an identifier in ASCII"),
        (hex_list("PCI\\VEN_F2C4\x07DEV_0301"), "expected an identifier in ASCII"),
        ("hex(7):50,00,43,00", "expected a zero at its end"),
        ("dword:0000000z", "expected a text in quotes, or bytes of two digits"),
    ],
)
def test_identifiers_that_are_damaged_in_a_registry_are_told(value: str, said: str) -> None:
    text = registry((f"{ENUM}\\{VIDEO}", f'"HardwareID"={value}\n'))
    findings = parse_machine(text).findings
    (finding,) = [one for one in findings if one.rule == "machine-text-damaged"]
    assert said in finding.message


def test_kinds_without_a_bus_are_whole_identifiers() -> None:
    """Hardware IDs: a class string without an enumerator is one of the three forms."""
    values = f'"HardwareID"={hex_list("IDE_DISK", "GenDisk")}\n'
    (device,) = (machine := parse_machine(registry((f"{ENUM}\\IDE\\X", values)))).devices
    assert (device.hardware_ids, machine.findings) == (("IDE_DISK", "GENDISK"), ())
    nets = f'"CompatibleIDs"={hex_list("LARKTCP")}\n"DeviceDesc"="TCP"\n'
    top = "HKEY_LOCAL_MACHINE\\Enum\\Network\\LARKTCP"  # software of 9x systems (from memory)
    assert [one.rule for one in parse_machine(registry((top, nets))).findings] == [
        "machine-without-devices"
    ]


def test_a_key_of_the_registry_is_no_device() -> None:
    text = f"{ENUM}\\{STICK}\\6&1\n    HardwareID    REG_MULTI_SZ    {STICK}&REV_0100\\0{STICK}\n"
    (device,) = parse_machine(text).devices
    assert device.hardware_ids == (f"{STICK}&REV_0100", STICK)


def test_numbers_that_lspci_prints_for_want_of_names_are_read() -> None:
    """lspci.c, run: without -n a device that its list lacks is ``Device vvvv:dddd``."""
    text = "00:02.0 VGA compatible controller: Device f2c4:0301 (rev 03)\n"
    text += "\tSubsystem: Device f2c4:001e\n"
    (device,) = (machine := parse_machine(text)).devices
    assert (device.hardware_ids[0], machine.findings) == (f"{VIDEO}&SUBSYS_001EF2C4&REV_03", ())
    text = text.replace("Device f2c4:0301", "Larkspur Device 0301")
    assert parse_machine(text).devices == ()


@pytest.mark.parametrize("form", ["[{}]", "({})", "<{}>", "{}.", "Video ({})."])
def test_what_stands_behind_an_identifier_is_no_part_of_it(form: str) -> None:
    """Identifiers for PCI Devices: they end in a digit."""
    machine = parse_machine(form.format(VIDEO))
    assert [device.hardware_ids for device in machine.devices] == [(VIDEO,)]
    assert parse_machine(form.format(VIDEO[:-1])).devices == ()


def test_names_in_the_code_page_of_western_europe_are_read(tmp_path: Path) -> None:
    """Own behaviour: what most of the text is not in UTF-8 is not."""
    text = f"Instanz-ID:         {LAN}\\3&1\nGerätebeschreibung: Ternfield für Lübeck\n"
    (tmp_path / "m.txt").write_bytes(text.encode("cp1252"))
    (device,) = read_machine(tmp_path / "m.txt").devices
    assert device.name == "Ternfield für Lübeck"
    (tmp_path / "m.txt").write_bytes(text.encode("utf-8") + b"# \xfc\n")
    (device,) = read_machine(tmp_path / "m.txt").devices
    assert device.name == "Ternfield für Lübeck"
