"""Tables, blocks of keys and values, and exports of the registry as lists of devices."""

from __future__ import annotations

import pytest

from device_texts import hex_list
from machine_rows import BOARD, CHIP, rows, unknown
from mediashelf.drivers.machines.reading import parse_machine

KIND, SOFTWARE = "PCI\\CC_0300", "ROOT\\LEGACY_X"


def test_blocks_of_keys_and_values() -> None:
    text = (
        f"Instance ID:                {BOARD}\\3&61AAA01\n"
        "Device Description:         Larkspur Video 3\nClass Name:                 Display\n\n"
        "Caption=Ternfield LAN\nDeviceID=PCI\\VEN_F4B9&amp;DEV_0100\\4\n"
    )
    machine = parse_machine(text)
    assert machine.findings == ()
    assert rows(machine) == [
        ("Larkspur Video 3", BOARD),
        ("Ternfield LAN", "PCI\\VEN_F4B9&DEV_0100"),
    ]


@pytest.mark.parametrize(
    "words",
    [
        ("Instanz-ID:", "Ger\u00e4tebeschreibung:", "Hardware-IDs:", "Kompatible IDs:"),
        (
            "ID d'instance :",
            "Description du p\u00e9riph\u00e9rique :",
            "ID mat\u00e9riels :",
            "ID compatibles :",
        ),
        ("Id. de instancia:", "Descripci\u00f3n:", "Id. de hardware:", "Id. compatibles:"),
        ("Instance ID:", "Device Description:", "Hardware IDs:", "Compatible IDs:"),
    ],
)
def test_blocks_in_other_languages(words: tuple[str, ...]) -> None:
    place, name, hardware, compatible = (word.ljust(32) for word in words)
    text = (
        f"{place}{BOARD}\\3&61AAA01\n{name}Larkspur Video 3\nKlasse:   Anzeige\n"
        f"{hardware}{BOARD}\n{' ' * 28}{CHIP}\n{compatible}PCI\\CC_0300\n\n"
        f"{place}USB\\VID_F1B2&PID_0003\\5\n{name}Quillon Camera 3\n"
    )
    machine = parse_machine(text)
    assert machine.findings == ()
    assert rows(machine) == [
        ("Larkspur Video 3", BOARD),
        ("Quillon Camera 3", "USB\\VID_F1B2&PID_0003"),
    ]
    assert machine.devices[0].compatible_ids[-1] == "PCI\\CC_0300"


def test_columns_before_an_identifier_and_lists_in_braces() -> None:
    text = (
        f"OK     Display   Larkspur Video 3   {BOARD}\\3&61\n------ -------\n\n"
        f"FriendlyName : Ternfield LAN\nHardwareID   : {{{CHIP}&SUBSYS_00010001, {CHIP}}}\n"
    )
    machine = parse_machine(text)
    assert machine.findings == ()
    assert rows(machine) == [
        ("Larkspur Video 3", BOARD),
        ("Ternfield LAN", f"{CHIP}&SUBSYS_00010001"),
    ]


def test_headings_bring_every_id_below_them() -> None:
    text = (
        "Disk\n    Hardware ids:\n        SCSI\\DiskLARKSPURDISK_9__________1.02\n"
        "        LARKSPURDISK_9__________1\n    Compatible ids:\n        GenDisk\n"
        "Port\n    Hardware ids:\n        ACPI\\QLN0501\n        *PNP0501\n"
    )
    first, second = parse_machine(text).devices
    assert "LARKSPURDISK_9__________1" in first.hardware_ids
    assert first.compatible_ids == ("GENDISK",)
    assert second.hardware_ids == ("ACPI\\QLN0501", "*PNP0501")


@pytest.mark.parametrize(
    "text",
    [
        f"Node,DeviceID,Name\nKIOSK,{BOARD}\\3&61AAA01&0&08,Larkspur Video 3\n",
        f"\n\nNode,DeviceID,Name\nKIOSK,{BOARD.replace('&', '&amp;')}\\3&amp;61,Larkspur Video 3\n",
        f'#TYPE X\n"FriendlyName","InstanceId","Status"\n"Larkspur Video 3","{BOARD}\\3","OK"\n',
        f"FriendlyName;HardwareID\nLarkspur Video 3;{BOARD},{CHIP}\n",
        f"Name\tPNPDeviceID\nLarkspur Video 3\t{BOARD}\\3\n",
    ],
)
def test_tables_with_columns(text: str) -> None:
    machine = parse_machine(text)
    assert machine.findings == ()
    assert rows(machine) == [("Larkspur Video 3", BOARD)]


def test_cells_of_a_table_with_line_ends_and_blanks() -> None:
    text = (
        f'Name,HardwareIDs\n"Larkspur","{BOARD}\n{CHIP}"\n'
        f'Disk,SCSI\\DISK&VEN_QUILLON&PROD_BIG DISK\\4&1\n"cut off,"{CHIP}\nLast,{CHIP}\n'
    )
    machine = parse_machine(text, name="m")
    assert [(device.line, device.name) for device in machine.devices] == [
        (2, "Larkspur"),
        (4, "Disk"),
        (6, "Last"),
    ]
    assert machine.devices[0].hardware_ids[0] == BOARD
    assert machine.devices[1].hardware_ids[0] == "SCSI\\DISKQUILLON_BIG_DISK________"
    assert unknown(machine) == ["m line 5"]


def test_a_row_of_a_table_without_an_id_is_named() -> None:
    machine = parse_machine(f"Name,DeviceID\nScanner,\nLarkspur,{CHIP}\\3\n", name="m")
    assert (rows(machine), unknown(machine)) == ([("Larkspur", CHIP)], ["m line 2"])


def test_exports_of_the_registry() -> None:
    top = "HKEY_LOCAL_MACHINE\\SYSTEM\\CurrentControlSet\\Enum"
    wide = (
        f"Windows Registry Editor Version 5.00\n\n[{top}]\n\n"
        f"[{top}\\PCI\\VEN_F2C4&DEV_0301\\3&61AAA01]\n"
        '"DeviceDesc"="@oem1.inf,%lkv%;Larkspur Video 3"\n"Capabilities"=dword:00000000\n'
        f'"HardwareID"={hex_list(BOARD, CHIP, encoding="utf-16-le")}\n'
        f'"CompatibleIDs"={hex_list(KIND, encoding="utf-16-le")}\n\n'
        f"[{top}\\PCI\\VEN_F2C4&DEV_0301\\3&61AAA01\\Control]\n\n"
        f"[{top}\\Root\\LEGACY_X\\0000]\n"
        f'"HardwareID"={hex_list(SOFTWARE, encoding="utf-16-le")}\n'
    )
    machine = parse_machine(wide.replace("\n", "\r\n"))
    assert machine.findings == ()
    (device,) = machine.devices
    assert (device.name, device.line) == ("Larkspur Video 3", 5)
    assert device.hardware_ids[:2] == (BOARD, BOARD.removesuffix("&REV_03"))
    assert "PCI\\CC_0300" in device.compatible_ids
    narrow = wide.replace("Windows Registry Editor Version 5.00", "REGEDIT4").replace(
        hex_list(BOARD, CHIP, encoding="utf-16-le"), hex_list(BOARD, CHIP, encoding="ascii")
    )
    assert parse_machine(narrow).devices[0].hardware_ids[:2] == device.hardware_ids[:2]


def test_a_list_that_is_cut_off_is_named() -> None:
    text = "REGEDIT4\n\n[HKEY_LOCAL_MACHINE\\Enum\\PCI\\X\\1]\n"
    whole = f'{text}"HardwareID"={hex_list(BOARD, CHIP, encoding="ascii")}\n'
    assert len(parse_machine(whole).devices) == 1
    machine = parse_machine(whole[:-30], name="m")
    assert (machine.devices, unknown(machine)) == ((), ["m line 3", "m"])


def test_exports_of_9x_systems_and_their_lines_without_sense() -> None:
    text = (
        "REGEDIT4\n\n[HKEY_LOCAL_MACHINE\\Enum\\ISAPNP\\QLN0031_DEV0000\\1]\n"
        '"HardwareID"="ISAPNP\\\\QLN0031_DEV0000,*QLN0000"\n"DeviceDesc"="Quillon 16"\nwhat\n'
        '"CompatibleIDs"="*PNPB003"\n'
    )
    machine = parse_machine(text, name="m")
    (device,) = machine.devices
    assert device.name == "Quillon 16"
    assert device.hardware_ids == ("ISAPNP\\QLN0031_DEV0000", "*QLN0000")
    assert device.compatible_ids == ("*PNPB003",)
    assert unknown(machine) == ["m line 6"]
