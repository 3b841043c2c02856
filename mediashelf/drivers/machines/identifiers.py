r"""Hardware and compatible identifiers of devices, in the order that systems give them.

Sources: identifiers-for-pci-devices, standard-usb-identifiers and
device-identification-strings of the published driver documentation. Identifiers are
"only for string comparisons"; they are taken apart here just to complete the lists of
a device of which a person could give one identifier only.
"""

from __future__ import annotations

import re
from typing import NamedTuple

# fmt: off
ENUMERATORS = frozenset([
    "1394", "ACPI", "BIOS", "BTHENUM", "DISPLAY", "EISA", "FDC", "GAMEPORT", "HDAUDIO", "HID",
    "IDE", "ISAPNP", "LPTENUM", "MCA", "MF", "MONITOR", "PCI", "PCIIDE", "PCMCIA", "ROOT",
    "SBP2", "SCSI", "SD", "SERENUM", "SWC", "USB", "USBPRINT", "USBSTOR",
])
# fmt: on
"""Buses whose identifiers are looked for in text (the list is common practice)."""

_PCI_PART = re.compile(
    r"(VEN)_([0-9A-F]{4})|(DEV)_([0-9A-F]{4})|(SUBSYS)_([0-9A-F]{8})|(REV)_([0-9A-F]{2})"
    r"|(CC)_([0-9A-F]{4}(?:[0-9A-F]{2})?)|(DT)_([0-9A-F]{1,4})"
)
_PCI_CLASS = re.compile(r"PCI\\(?:.*&)?CC_([0-9A-F]{4})([0-9A-F]{2})?(?:&.*)?")
_USB_DEVICE = re.compile(
    r"(USB\\VID_[0-9A-F]{4}&PID_[0-9A-F]{4})(&REV_[0-9A-F]{4})?(&MI_[0-9A-F]{2})?"
)
_USB_CLASS = re.compile(
    r"(USB\\CLASS_[0-9A-F]{2})((&SUBCLASS_[0-9A-F]{2})(&PROT_[0-9A-F]{2})?)?|USB\\COMPOSITE"
)
_PLUG_AND_PLAY = re.compile(r"\*[A-Z]{3}[0-9A-F]{4}")


class Identifier(NamedTuple):
    """One identifier of a device and its place in the full list of its kind, from 0.

    Where a part of the device is unknown, the identifiers with that part are left
    out and the others keep the places that they have on the machine itself.
    """

    text: str
    position: int


class Identifiers(NamedTuple):
    """The two ordered lists of one device."""

    hardware: tuple[Identifier, ...]
    compatible: tuple[Identifier, ...] = ()


class PciFunction(NamedTuple):
    """What is known of a PCI function; None is unknown.

    ``subsystem`` is (subsystem vendor, subsystem id). ``class_code`` has base class
    and subclass, as in 0x0300. ``express_type`` is the device type of a PCI Express
    function.
    """

    vendor: int
    device: int
    subsystem: tuple[int, int] | None = None
    revision: int | None = None
    class_code: int | None = None
    prog_if: int | None = None
    express_type: int | None = None


def pci_identifiers(function: PciFunction) -> Identifiers:
    """Return the lists of a PCI function (identifiers-for-pci-devices).

    SUBSYS holds the subsystem's id and then the subsystem's vendor.
    """
    vendor = f"VEN_{function.vendor:04X}"
    chip = f"{vendor}&DEV_{function.device:04X}"
    subsystem = revision = short_class = long_class = device_type = None
    if function.subsystem is not None:
        subsystem_vendor, subsystem_id = function.subsystem
        subsystem = f"SUBSYS_{subsystem_id:04X}{subsystem_vendor:04X}"
    if function.revision is not None:
        revision = f"REV_{function.revision:02X}"
    if function.class_code is not None:
        short_class = f"CC_{function.class_code:04X}"
        if function.prog_if is not None:
            long_class = f"{short_class}{function.prog_if:02X}"
    if function.express_type is not None:
        device_type = f"DT_{function.express_type:X}"
    hardware: list[tuple[str | None, ...]] = [
        (chip, subsystem, revision),
        (chip, subsystem),
        (chip, revision),
        (chip,),
        (chip, long_class),
        (chip, short_class),
    ]
    compatible: list[tuple[str | None, ...]] = [
        (chip, revision),
        (chip,),
        (vendor, long_class),
        (vendor, short_class),
        (vendor,),
        (long_class,),
        (short_class,),
    ]
    if device_type is not None:
        # For PCI Express only, each before its form without the device type.
        compatible[5:5] = [(long_class, device_type)]
        compatible[7:7] = [(short_class, device_type)]
    return Identifiers(_numbered(hardware), _numbered(compatible))


def _numbered(rows: list[tuple[str | None, ...]]) -> tuple[Identifier, ...]:
    return tuple(
        Identifier("PCI\\" + "&".join(part for part in parts if part), position)
        for position, parts in enumerate(rows)
        if None not in parts
    )


def parse_pci_identifier(text: str) -> PciFunction | None:
    r"""Return what a ``PCI\VEN_…&DEV_…`` identifier tells, or None when it is none.

    Any order of the parts is taken. An identifier without vendor and device, such
    as ``PCI\CC_0300``, is None too: it names no function.
    """
    enumerator, _, rest = text.upper().partition("\\")
    if enumerator != "PCI":
        return None
    parts: dict[str, int] = {}
    width = 0
    for part in rest.split("&"):
        match = _PCI_PART.fullmatch(part)
        if match is None:
            return None
        name, digits = (group for group in match.groups() if group is not None)
        parts[name] = int(digits, 16)
        if name == "CC":
            width = len(digits)
    if "VEN" not in parts or "DEV" not in parts:
        return None
    subsystem = parts.get("SUBSYS")
    class_code = parts.get("CC")
    prog_if = None
    if class_code is not None and width == 6:
        class_code, prog_if = class_code >> 8, class_code & 0xFF
    return PciFunction(
        vendor=parts["VEN"],
        device=parts["DEV"],
        subsystem=None if subsystem is None else (subsystem & 0xFFFF, subsystem >> 16),
        revision=parts.get("REV"),
        class_code=class_code,
        prog_if=prog_if,
        express_type=parts.get("DT"),
    )


def pci_class(text: str) -> tuple[int, int | None] | None:
    r"""Return class code and programming interface of an identifier with ``CC_…``, or None."""
    match = _PCI_CLASS.fullmatch(text.upper())
    if match is None:
        return None
    return int(match[1], 16), int(match[2], 16) if match[2] else None


def usb_identifiers(text: str) -> tuple[str, ...]:
    r"""Return the hardware ids that ``USB\VID_…&PID_…`` stands for, or nothing for other text.

    With a revision first, then without (standard-usb-identifiers).
    """
    match = _USB_DEVICE.fullmatch(text.upper())
    if match is None:
        return ()
    device, revision, interface = match[1], match[2] or "", match[3] or ""
    return tuple(dict.fromkeys((device + revision + interface, device + interface)))


def usb_class_identifiers(text: str) -> tuple[str, ...]:
    r"""Return the compatible ids that ``USB\CLASS_…`` stands for, or nothing for other text."""
    match = _USB_CLASS.fullmatch(text.upper())
    if match is None:
        return ()
    if match[1] is None:
        return (match[0],)
    forms = (match[0], match[1] + (match[3] or ""), match[1])
    return tuple(dict.fromkeys(forms))


def is_compatible_form(text: str) -> bool:
    """Whether an identifier names a kind of device and no particular one."""
    upper = text.upper()
    if upper.startswith("PCI\\"):
        return "DEV_" not in upper
    return _USB_CLASS.fullmatch(upper) is not None


def is_well_formed(text: str) -> bool:
    """Whether an identifier has the form of its bus, for the buses whose form is published."""
    upper = text.upper()
    enumerator, _, rest = upper.partition("\\")
    if upper.startswith("*"):
        return _PLUG_AND_PLAY.fullmatch(upper) is not None
    if enumerator == "PCI":
        return all(_PCI_PART.fullmatch(part) for part in rest.split("&"))
    if enumerator == "USB":
        # Hubs and the like have names of their own: USB\ROOT_HUB.
        return not rest.startswith(("VID_", "CLASS_")) or bool(
            _USB_DEVICE.fullmatch(upper) or _USB_CLASS.fullmatch(upper)
        )
    return bool(rest)
