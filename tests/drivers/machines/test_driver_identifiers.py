"""Identifiers of devices in the order of the published pages."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from mediashelf.drivers.machines.classes import CLASSES, class_words, systems_drive
from mediashelf.drivers.machines.devices import device_from_ids, pci_device, pick_device
from mediashelf.drivers.machines.identifiers import (
    PciFunction,
    is_well_formed,
    parse_pci_identifier,
    pci_identifiers,
    usb_class_identifiers,
    usb_identifiers,
)

# Invented: no registry assigns F2C4 to anybody.
FULL = PciFunction(0xF2C4, 0x0301, (0xF2C4, 0x001E), 0x03, 0x0300, 0x00)


def texts(identifiers: tuple[tuple[str, int], ...]) -> list[str]:
    return [text for text, _ in identifiers]


def test_pci_hardware_ids_in_order() -> None:
    # identifiers-for-pci-devices, formats 1 to 6.
    assert texts(pci_identifiers(FULL).hardware) == [
        "PCI\\VEN_F2C4&DEV_0301&SUBSYS_001EF2C4&REV_03",
        "PCI\\VEN_F2C4&DEV_0301&SUBSYS_001EF2C4",
        "PCI\\VEN_F2C4&DEV_0301&REV_03",
        "PCI\\VEN_F2C4&DEV_0301",
        "PCI\\VEN_F2C4&DEV_0301&CC_030000",
        "PCI\\VEN_F2C4&DEV_0301&CC_0300",
    ]


def test_pci_compatible_ids_in_order() -> None:
    # identifiers-for-pci-devices; the two with DT are for PCI Express only.
    assert texts(pci_identifiers(FULL).compatible) == [
        "PCI\\VEN_F2C4&DEV_0301&REV_03",
        "PCI\\VEN_F2C4&DEV_0301",
        "PCI\\VEN_F2C4&CC_030000",
        "PCI\\VEN_F2C4&CC_0300",
        "PCI\\VEN_F2C4",
        "PCI\\CC_030000",
        "PCI\\CC_0300",
    ]


def test_pci_express_compatible_ids_in_order() -> None:
    # identifiers-for-pci-devices.
    express = FULL._replace(express_type=1)
    assert texts(pci_identifiers(express).compatible)[4:] == [
        "PCI\\VEN_F2C4",
        "PCI\\CC_030000&DT_1",
        "PCI\\CC_030000",
        "PCI\\CC_0300&DT_1",
        "PCI\\CC_0300",
    ]


def test_subsystem_is_the_id_and_then_the_vendor() -> None:
    # identifiers-for-pci-devices: SUBSYS_s(4)n(4), s the subsystem, n its vendor.
    function = FULL._replace(subsystem=(0xF3D7, 0x001E))
    assert "SUBSYS_001EF3D7" in pci_identifiers(function).hardware[0].text


def test_unknown_parts_leave_the_places_of_the_others() -> None:
    unknown = PciFunction(0xF2C4, 0x0301, revision=3, class_code=0x0300)
    identifiers = pci_identifiers(unknown)
    assert list(identifiers.hardware) == [
        ("PCI\\VEN_F2C4&DEV_0301&REV_03", 2),
        ("PCI\\VEN_F2C4&DEV_0301", 3),
        ("PCI\\VEN_F2C4&DEV_0301&CC_0300", 5),
    ]
    assert dict(identifiers.compatible)["PCI\\CC_0300"] == 6


@pytest.mark.parametrize("position", range(6))
def test_every_pci_hardware_id_tells_its_parts(position: int) -> None:
    text = pci_identifiers(FULL).hardware[position].text
    function = parse_pci_identifier(text)
    assert function is not None
    again = pci_identifiers(function).hardware
    assert text in [identifier.text for identifier in again]
    for one, known in zip(function, FULL, strict=True):
        assert one is None or one == known


@pytest.mark.parametrize(
    "text",
    ["PCI\\CC_0300", "PCI\\VEN_F2C4", "USB\\VID_F2C4&PID_0301", "PCI\\VEN_F2C4&DEV_03", "PCI", ""],
)
def test_other_texts_name_no_function(text: str) -> None:
    assert parse_pci_identifier(text) is None


def test_usb_identifiers_in_order() -> None:
    # standard-usb-identifiers: with revision, then without; interfaces with MI.
    assert usb_identifiers("usb\\vid_f1b2&pid_0003&rev_0100") == (
        "USB\\VID_F1B2&PID_0003&REV_0100",
        "USB\\VID_F1B2&PID_0003",
    )
    assert usb_identifiers("USB\\VID_F1B2&PID_0003&MI_01") == ("USB\\VID_F1B2&PID_0003&MI_01",)
    assert usb_class_identifiers("USB\\Class_08&SubClass_06&Prot_50") == (
        "USB\\CLASS_08&SUBCLASS_06&PROT_50",
        "USB\\CLASS_08&SUBCLASS_06",
        "USB\\CLASS_08",
    )
    assert usb_class_identifiers("USB\\COMPOSITE") == ("USB\\COMPOSITE",)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("PCI\\VEN_F2C4&DEV_0301", True),
        # The page's own list has these too, beside its formats.
        ("PCI\\VEN_F2C4&DEV_0301&REV_03&CC_0300", True),
        ("PCI\\VEN_F2C&DEV_0301", False),
        ("PCI\\SOMETHING", False),
        ("USB\\VID_F1B2&PID_3", False),
        ("USB\\ROOT_HUB", True),
        ("*PNP0501", True),
        ("*PNP05", False),
        ("ISAPNP\\QLN0031_DEV0000", True),
        ("ISAPNP\\", False),
    ],
)
def test_form_of_identifiers(text: str, expected: bool) -> None:
    assert is_well_formed(text) is expected


def test_one_identifier_is_completed_and_unknown_forms_are_kept() -> None:
    device = device_from_ids(["pci\\ven_f2c4&dev_0301&rev_03&cc_0300"])
    assert device.hardware_ids == (
        "PCI\\VEN_F2C4&DEV_0301&REV_03",
        "PCI\\VEN_F2C4&DEV_0301",
        "PCI\\VEN_F2C4&DEV_0301&CC_0300",
        "PCI\\VEN_F2C4&DEV_0301&REV_03&CC_0300",
    )


def test_isapnp_and_plug_and_play_identifiers_stay_as_they_are() -> None:
    # device-identification-strings: such ids are only compared.
    assert device_from_ids(["ISAPNP\\QLN0031", "*qln0031"]).hardware_ids == (
        "ISAPNP\\QLN0031",
        "*QLN0031",
    )


def test_devices_are_picked_by_number_slot_id_and_name() -> None:
    one = pci_device(FULL, name="Larkspur Video 3", slot="01:00.0")
    two = pci_device(PciFunction(0xF4B9, 0x0100), name="Ternfield LAN", slot="00:0b.0")
    devices = [one, two, two]
    assert pick_device(devices, "1") == [0]
    assert pick_device(devices, "00:0B.0") == [1, 2]
    assert pick_device(devices, "pci\\ven_f4b9&dev_0100") == [1, 2]
    assert pick_device(devices, "larkspur") == [0]
    assert pick_device(devices, "pci\\ven_f2c4&cc_030000") == [0]  # one that also fits
    assert pick_device(devices, "4") == []
    assert pick_device(devices, "") == []
    assert pick_device(devices, "nothing") == []


def test_words_for_classes() -> None:
    assert class_words(0x0401) == "sound"
    assert class_words(0x0780) == "communication"
    assert class_words(0xFF00) == class_words(None) == "device"
    assert systems_drive(0x0604)
    assert not systems_drive(0x0300)
    assert not systems_drive(None)


def test_class_numbers_are_those_of_the_installed_list() -> None:
    """The list of pciutils says of each number something with the same stem."""
    path = Path("/usr/share/misc/pci.ids")
    if not path.is_file():
        pytest.skip("the pci.ids list of pciutils is not installed")
    known: dict[int, str] = {}
    base = ""
    for line in path.read_text("utf-8").splitlines():
        if match := re.match(r"C ([0-9a-f]{2})  (.*)", line):
            base = match[1]
        elif base and (match := re.match(r"\t([0-9a-f]{2})  (.*)", line)):
            known[int(base + match[1], 16)] = match[2].lower()
    stems = {
        "SCSI storage": "scsi",
        "IDE storage": "ide",
        "floppy storage": "floppy",
        "RAID storage": "raid",
        "SATA storage": "sata",
        "network": "ethernet",
        "display": "vga",
        "video": "video",
        "sound": "audio",
        "host bridge": "host bridge",
        "ISA bridge": "isa bridge",
        "PCI bridge": "pci bridge",
        "CardBus bridge": "cardbus",
        "serial port": "serial",
        "parallel port": "parallel",
        "modem": "modem",
        "keyboard": "keyboard",
        "game port": "gameport",
        "FireWire": "firewire",
        "USB controller": "usb",
        "SMBus": "smbus",
    }
    for number, words in CLASSES.items():
        assert stems[words] in known[number], f"{number:04x}"
