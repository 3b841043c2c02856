"""Words for PCI class codes, and which classes systems drive without a vendor's package.

The numbers are those of the PCI class code list, compared in the tests with the one that
pciutils installs; the words are ours. Which classes a system drives itself is common
practice, and only softens a finding.
"""

from __future__ import annotations

BASE_CLASSES = {
    0x00: "old device",
    0x01: "storage",
    0x02: "network",
    0x03: "display",
    0x04: "multimedia",
    0x05: "memory",
    0x06: "bridge",
    0x07: "communication",
    0x08: "system part",
    0x09: "input",
    0x0A: "docking station",
    0x0B: "processor",
    0x0C: "serial bus",
    0x0D: "wireless",
    0x0E: "intelligent controller",
    0x0F: "satellite",
    0x10: "encryption",
    0x11: "signal processing",
}

CLASSES = {
    0x0100: "SCSI storage",
    0x0101: "IDE storage",
    0x0102: "floppy storage",
    0x0104: "RAID storage",
    0x0106: "SATA storage",
    0x0200: "network",
    0x0300: "display",
    0x0400: "video",
    0x0401: "sound",
    0x0403: "sound",
    0x0600: "host bridge",
    0x0601: "ISA bridge",
    0x0604: "PCI bridge",
    0x0607: "CardBus bridge",
    0x0700: "serial port",
    0x0701: "parallel port",
    0x0703: "modem",
    0x0900: "keyboard",
    0x0904: "game port",
    0x0C00: "FireWire",
    0x0C03: "USB controller",
    0x0C05: "SMBus",
}

_DRIVEN_BY_SYSTEMS = {0x05, 0x06, 0x08, 0x0B}
_DRIVEN_BY_SYSTEMS_CLASSES = {0x0101, 0x0102, 0x0700, 0x0701, 0x0900, 0x0C00, 0x0C03}


def class_words(class_code: int | None) -> str:
    """Return a few words for base class and subclass, ``device`` when they are unknown."""
    if class_code is None:
        return "device"
    return CLASSES.get(class_code) or BASE_CLASSES.get(class_code >> 8, "device")


def systems_drive(class_code: int | None) -> bool:
    """Whether systems usually have a driver of their own for this class (common practice)."""
    if class_code is None:
        return False
    return class_code >> 8 in _DRIVEN_BY_SYSTEMS or class_code in _DRIVEN_BY_SYSTEMS_CLASSES
