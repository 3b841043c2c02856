"""Device lists of other programs: each device with its own name, and no line lost in silence."""

from __future__ import annotations

import pytest

from device_texts import LSUSB_DETAILS
from machine_rows import BOARD, CHIP, rows, unknown
from mediashelf.drivers.machines.devices import Device
from mediashelf.drivers.machines.reading import parse_machine


def test_a_line_that_is_not_understood_never_names_the_next_device() -> None:
    machine = parse_machine(f"Scanner of unknown make: none\n{CHIP}\n", name="m")
    assert [device.name for device in machine.devices] == [""]
    text = f"Scanner of unknown make\n{CHIP}\n\nPorts\n    Serial port\n\nLAN card: ?\n\n{CHIP}\n"
    machine = parse_machine(text, name="m")
    assert rows(machine) == [("", CHIP), ("", CHIP)]
    assert unknown(machine) == ["m line 1", "m line 4", "m line 5", "m line 7"]


def test_a_device_of_a_tree_without_ids_is_named() -> None:
    text = (
        "Display adapters\n    Larkspur Video 3\n        " + BOARD + "\\3&61AAA01\n"
        "Ports\n    Serial port\nNetwork adapters\n    Ternfield LAN\n"
        "        PCI\\VEN_F4B9&DEV_0100\\4&1\n"
    )
    machine = parse_machine(text, name="m")
    assert rows(machine) == [
        ("Larkspur Video 3", BOARD),
        ("Ternfield LAN", "PCI\\VEN_F4B9&DEV_0100"),
    ]
    assert unknown(machine) == ["m line 4", "m line 5"]


def test_a_list_with_the_id_first_and_the_name_below_or_behind() -> None:
    below = (
        f"{BOARD}\\3&61AAA01\n    Name: Larkspur Video 3\n    Hardware IDs:\n"
        f"        {BOARD}\n        {CHIP}\n    Compatible IDs:\n        PCI\\CC_0300\n"
        "PCI\\VEN_F4B9&DEV_0100\\4&1\n    Name: Ternfield LAN\n    Driver is running.\n"
    )
    machine = parse_machine(below, name="m")
    assert rows(machine) == [
        ("Larkspur Video 3", BOARD),
        ("Ternfield LAN", "PCI\\VEN_F4B9&DEV_0100"),
    ]
    behind = f"{BOARD}\\3&61AAA01 : Larkspur Video 3\nPCI\\VEN_F4B9&DEV_0100\\4 : Ternfield LAN\n"
    assert rows(parse_machine(behind)) == rows(machine)


LSUSB = """\
Bus 001 Device 001: ID 1d6b:0002 Root hub
Bus 001 Device 002: ID f1b2:0003 Quillon Camera 3
Bus 002 Device 004: ID f1b2:0100
"""


def test_the_list_of_usb_devices() -> None:
    machine = parse_machine(LSUSB)
    assert machine.findings == ()
    assert rows(machine) == [
        ("Quillon Camera 3", "USB\\VID_F1B2&PID_0003"),
        ("", "USB\\VID_F1B2&PID_0100"),
    ]


def test_a_tree_of_usb_devices() -> None:
    port = "    |__ Port 2: Dev 3, If {}, Class=Human Interface Device, Driver=usbhid, 12M\n"
    name = "        ID f1b2:0003 Quillon Camera 3\n"
    hub = "/:  Bus 02.Port 1: Dev 1, Class=root_hub, Driver=xhci_hcd/6p, 5000M\n"
    text = f"{hub}    ID 1d6b:0003 Root hub\n{port.format(0)}{name}{port.format(1)}{name}"
    machine = parse_machine(text)
    assert machine.findings == ()
    assert rows(machine) == [("Quillon Camera 3", "USB\\VID_F1B2&PID_0003")]
    # Another interface than the first is of a device that was named before.
    assert parse_machine(f"{port.format(1)}{name}").devices == ()
    # -t alone has no identifiers.
    machine = parse_machine(hub + port.format(0), name="m")
    assert (machine.devices, unknown(machine)) == ((), ["m line 1", "m line 2", "m"])


def test_details_of_usb_devices_give_revision_and_class() -> None:
    # standard-usb-identifiers: REV is bcdDevice; the class is the interface's where the
    # device has none, and a device of several interfaces is a composite one.
    machine = parse_machine(LSUSB_DETAILS.replace("{interfaces}", "1"))
    assert machine.findings == ()
    (device,) = machine.devices
    assert device.hardware_ids == ("USB\\VID_F1B2&PID_0003&REV_0107", "USB\\VID_F1B2&PID_0003")
    assert device.compatible_ids == (
        "USB\\CLASS_08&SUBCLASS_06&PROT_50",
        "USB\\CLASS_08&SUBCLASS_06",
        "USB\\CLASS_08",
    )
    (device,) = parse_machine(LSUSB_DETAILS.replace("{interfaces}", "2")).devices
    assert device.compatible_ids == ("USB\\COMPOSITE",)


def only(text: str) -> Device:
    (device,) = parse_machine(text).devices
    return device


DISK = "DISKLARKSPURDISK_9__________"
IDE = "LARKSPUR_DISK_9" + "_" * 25


@pytest.mark.parametrize(
    ("text", "hardware", "compatible"),
    [
        # DevCon examples: the ACPI bus reports both; one form stands for both.
        ("ACPI\\PNP0501\\2", ["ACPI\\PNP0501", "*PNP0501"], []),
        ("*PNP0501", ["ACPI\\PNP0501", "*PNP0501"], []),
        # device-management-namespace-objects.
        (
            "ACPI\\VEN_QLN&DEV_0031&SUBSYS_0001QLN&REV_0002",
            [
                "ACPI\\VEN_QLN&DEV_0031&SUBSYS_0001QLN&REV_0002",
                "ACPI\\VEN_QLN&DEV_0031&SUBSYS_0001QLN",
                "ACPI\\VEN_QLN&DEV_0031&REV_0002",
                "ACPI\\VEN_QLN&DEV_0031",
                "ACPI\\QLN0031",
                "*QLN0031",
            ],
            [],
        ),
        # hdaudio: with REV, without, and shorter forms (from memory).
        (
            "HDAUDIO\\FUNC_01&VEN_F3D7&DEV_0888&SUBSYS_F3D70016&REV_1001",
            [
                "HDAUDIO\\FUNC_01&VEN_F3D7&DEV_0888&SUBSYS_F3D70016&REV_1001",
                "HDAUDIO\\FUNC_01&VEN_F3D7&DEV_0888&SUBSYS_F3D70016",
            ],
            [
                "HDAUDIO\\FUNC_01&VEN_F3D7&DEV_0888&REV_1001",
                "HDAUDIO\\FUNC_01&VEN_F3D7&DEV_0888",
                "HDAUDIO\\FUNC_01&VEN_F3D7",
                "HDAUDIO\\FUNC_01",
            ],
        ),
        (
            "HDAUDIO\\FUNC_01&VEN_F3D7&DEV_0888",
            [],
            ["HDAUDIO\\FUNC_01&VEN_F3D7&DEV_0888", "HDAUDIO\\FUNC_01&VEN_F3D7", "HDAUDIO\\FUNC_01"],
        ),
        (
            "HDAUDIO\\FUNC_01&CTRL_VEN_F6E2&CTRL_DEV_0001&VEN_F3D7&DEV_0888&REV_1001",
            [],
            [
                "HDAUDIO\\FUNC_01&CTRL_VEN_F6E2&CTRL_DEV_0001&VEN_F3D7&DEV_0888&REV_1001",
                "HDAUDIO\\FUNC_01&CTRL_VEN_F6E2&CTRL_DEV_0001&VEN_F3D7&DEV_0888",
                "HDAUDIO\\FUNC_01&VEN_F3D7&DEV_0888&REV_1001",
                "HDAUDIO\\FUNC_01&VEN_F3D7&DEV_0888",
                "HDAUDIO\\FUNC_01&VEN_F3D7",
                "HDAUDIO\\FUNC_01",
            ],
        ),
        # overriding-monitor-edids names MONITOR\…; lists show the place DISPLAY\….
        ("DISPLAY\\LKV1234\\5&1934D7", ["MONITOR\\LKV1234"], ["*PNP09FF"]),
        ("MONITOR\\LKV1234", ["MONITOR\\LKV1234"], ["*PNP09FF"]),
        # identifiers-for-scsi-devices.
        (
            f"SCSI\\{DISK}1.02",
            [
                f"SCSI\\{DISK}1.02",
                f"SCSI\\{DISK}",
                "SCSI\\DISKLARKSPUR",
                f"SCSI\\{DISK[4:]}1",
                f"{DISK[4:]}1",
            ],
            ["GENDISK"],
        ),
        (f"SCSI\\{DISK}", [f"SCSI\\{DISK}", "SCSI\\DISKLARKSPUR"], ["GENDISK"]),
        (
            "SCSI\\SEQUENTIAL&VEN_TERN&PROD_TAPE_1\\4&1",
            ["SCSI\\SEQUENTIALTERN____TAPE_1__________", "SCSI\\SEQUENTIALTERN____"],
            [],
        ),
        # identifiers-for-usbstor-devices.
        (
            "USBSTOR\\DISK&VEN_LARKSPUR&PROD_DISK_9&REV_1.02\\7&0",
            [
                f"USBSTOR\\{DISK}1.02",
                f"USBSTOR\\{DISK}",
                "USBSTOR\\DISKLARKSPUR",
                f"USBSTOR\\{DISK[4:]}1",
                f"{DISK[4:]}1",
                "USBSTOR\\GENDISK",
                "GENDISK",
            ],
            ["USBSTOR\\DISK", "USBSTOR\\RAW"],
        ),
        # identifiers-for-ide-devices.
        (
            f"IDE\\CDROM{IDE}1.02____",
            [
                f"IDE\\CDROM{IDE}1.02____",
                f"IDE\\{IDE}1.02____",
                f"IDE\\CDROM{IDE}",
                f"{IDE}1.02____",
            ],
            ["GENCDROM"],
        ),
        # What one identifier does not tell is not made up.
        ("ISAPNP\\QLN0031_DEV0000\\1", ["ISAPNP\\QLN0031_DEV0000"], []),
        ("PCMCIA\\TERNFIELD-CC10BT/2-BF05\\1", ["PCMCIA\\TERNFIELD-CC10BT/2-BF05"], []),
        # From memory: the form that an older system shows has the identifier inside.
        ("EISA\\*QLN0031", ["EISA\\*QLN0031", "*QLN0031"], []),
        ("EISA\\QLN0031", ["EISA\\QLN0031", "*QLN0031"], []),
        ("BIOS\\*PNP0501\\0D", ["BIOS\\*PNP0501", "*PNP0501"], []),
        # hardware-ids of HID: with the revision, then without.
        (
            "HID\\Vid_f1b2&Pid_0003&Rev_0110&MI_01&Col02",
            [
                "HID\\VID_F1B2&PID_0003&REV_0110&MI_01&COL02",
                "HID\\VID_F1B2&PID_0003&MI_01&COL02",
            ],
            [],
        ),
        # A bus that is not known here: a line of its own.
        ("TERNBUS\\VID_F4B9+PID_0100\\5", ["TERNBUS\\VID_F4B9+PID_0100"], []),
        ("ROOT\\*PNP0F08\\0000", ["ROOT\\*PNP0F08"], []),
        ("USB\\VID_F1B2&PID_0003&MI_01\\6", ["USB\\VID_F1B2&PID_0003&MI_01"], []),
    ],
)
def test_what_each_bus_reports(text: str, hardware: list[str], compatible: list[str]) -> None:
    device = only(text)
    # Without a board there is no hardware id of the published form; the chip's is compatible.
    assert [one for one in device.hardware_ids if one not in compatible] == hardware
    assert list(device.compatible_ids) == compatible


def test_ids_of_one_device_on_following_lines_stay_together() -> None:
    for text in (
        "ACPI\\PNP0501\n*PNP0501\n",
        f"SCSI\\{DISK}1.02\nSCSI\\{DISK}\nSCSI\\DISKLARKSPUR\n",
        "HDAUDIO\\FUNC_01&VEN_F3D7&DEV_0888&SUBSYS_F3D70016&REV_1001\n"
        "HDAUDIO\\FUNC_01&VEN_F3D7&DEV_0888&SUBSYS_F3D70016\n",
    ):
        assert len(parse_machine(text).devices) == 1
    assert len(parse_machine("*PNP0501\n*PNP0401\n").devices) == 2


@pytest.mark.parametrize("slot", ["00:01.0/00.0", "00:01.0/01:00.0", "0000:00:01.0/1c.0/00.0"])
def test_bridges_on_the_way_stand_in_the_slot(slot: str) -> None:
    # man lspci: -P and -PP identify devices by the path through each bridge.
    machine = parse_machine(f"{slot} 0300: f2c4:0301 (rev 03)\n")
    assert machine.findings == ()
    assert [device.slot for device in machine.devices] == [slot]


def test_a_tree_of_lspci_has_no_ids_and_is_named() -> None:
    machine = parse_machine("-[0000:00]-+-00.0\n           \\-01.0-[01]----00.0\n", name="m")
    assert unknown(machine)[:2] == ["m line 1", "m line 2"]


FORMS = {
    "lspci": "00:02.0 VGA [0300]: Larkspur [f2c4:0301]\n00:03.0 LAN [0200]: T [f4b9:0100]\n",
    "lspci -v": (
        "00:02.0 VGA [0300]: Larkspur [f2c4:0301] (rev 03)\n\tSubsystem: Larkspur [f2c4:0016]\n"
        "\tFlags: fast devsel\n\n00:03.0 LAN [0200]: T [f4b9:0100]\n\tDeviceName: Onboard LAN\n"
        "\tSubsystem: Ternfield [f4b9:0001]\n\tFlags: fast devsel\n"
    ),
    "ids": f"{BOARD}\nPCI\\VEN_F4B9&DEV_0100\n*PNP0501\n",
    "lsusb": "Bus 002 Device 003: ID f1b2:0003 Camera\nBus 002 Device 004: ID f1b2:0004 Two\n",
    "table": f"Name,DeviceID\nLarkspur,{BOARD}\\3\nTernfield,PCI\\VEN_F4B9&DEV_0100\\3\n",
    "blocks": (
        f"Instance ID:  {BOARD}\\3\nDevice Description:  Larkspur\nHardware IDs:  {BOARD}\n"
        f"              {CHIP}\n\nInstance ID:  *PNP0501\nDevice Description:  Port\n"
    ),
    "below": (
        f"{BOARD}\\3&1\n    Name: Larkspur\n    Hardware IDs:\n        {BOARD}\n        {CHIP}\n"
        "    Compatible IDs:\n        PCI\\CC_0300\nACPI\\PNP0F13\\4&1\n    Name: Mouse\n"
        "    Hardware IDs:\n        ACPI\\PNP0F13\n        *PNP0F13\n"
    ),
    "export": (
        'REGEDIT4\n\n[HKEY_LOCAL_MACHINE\\Enum\\PCI\\X\\1]\n"HardwareID"="*PNP0F13"\n'
        '"DeviceDesc"="Mouse"\n\n[HKEY_LOCAL_MACHINE\\Enum\\X\\Y]\n"HardwareID"="*PNP0501"\n'
    ),
}


@pytest.mark.parametrize("junk", ["zzz qqq", "    zzz qqq", "zzz\tqqq", "%%% zzz", "zzz 1 [abcd]"])
@pytest.mark.parametrize("form", FORMS)
def test_a_line_that_says_nothing_changes_no_device_and_is_named(form: str, junk: str) -> None:
    lines = FORMS[form].split("\n")
    expected = [(one.name, one.identifiers) for one in parse_machine(FORMS[form]).devices]
    assert len(expected) > 1
    for place in range(len(lines)):
        machine = parse_machine("\n".join([*lines[:place], junk, *lines[place:]]), name="m")
        assert [(one.name, one.identifiers) for one in machine.devices] == expected
        # Below a line of lspci it may be one of the details of -v.
        is_detail = form.startswith("lspci") and junk.startswith(" ") and lines[place - 1] and place
        assert unknown(machine) == ([] if is_detail else [f"m line {place + 1}"])
