r"""The text that ``lsusb`` prints → devices: its list, and the details of ``-v``.

The line is that of the program's manual page and source text (usbutils, ``lsusb.c``):
``Bus 001 Device 002: ID f1b2:0003 Name``. Identifiers: standard-usb-identifiers.
"""

from __future__ import annotations

import re

from msgspec import Struct, field

from mediashelf.drivers.machines.devices import Device, device_from_ids
from mediashelf.drivers.machines.line_findings import LineFindings

_LINE = re.compile(
    r"Bus [0-9]{3} Device [0-9]{3}: ID ([0-9a-f]{4}):([0-9a-f]{4})(?:\s+(.*))?", re.IGNORECASE
)
_TREE_LINE = re.compile(r"(?:/: +Bus|\|__ Port) .*?\bDev [0-9]{1,4}, (?:If ([0-9]{1,3}), )?.*")
_TREE_ID = re.compile(r"ID ([0-9a-f]{4}):([0-9a-f]{4})(?:\s+(.*))?", re.IGNORECASE)
_DETAIL = re.compile(r"\s+(bcdDevice|b[A-Z]\w+)\s+([0-9a-fx.]+)\b.*")
_REVISION = re.compile(r"([0-9a-f]{1,2})\.([0-9a-f]{2})", re.IGNORECASE)
_FIRST_DETAIL = "Device Descriptor:"
_ABOUT = re.compile(
    r"[A-Z][\w ()-]*(?:Descriptor|Qualifier|Status)\b.*:|Negotiated speed|"
    r"(?i:can't|cannot|couldn't) "
)
_ROOT_HUB = "1D6B"  # the vendor that the host's own root hubs name; they are no device
_CLASS = ("bDeviceClass", "bDeviceSubClass", "bDeviceProtocol")
_INTERFACE_CLASS = ("bInterfaceClass", "bInterfaceSubClass", "bInterfaceProtocol")


class UsbRecord(Struct):
    """One device with the first value of each detail that follows it."""

    line: int
    vendor: str
    product: str
    name: str
    details: dict[str, str] = field(default_factory=dict)
    is_detailed: bool = False  # the details of -v have begun
    is_told_before: bool = False  # a tree has a line for each interface of a device
    interfaces: int = 0  # descriptors so far; the first tells the class
    of_another: int = 0  # the line where the details of another device begin

    def add(self, line: str, number: int) -> bool:
        """Take a line below the device's; False where it is not one of ``-v``.

        Lines without a known value tell nothing here.
        """
        if line[0] not in " \t":
            if line.rstrip() == _FIRST_DETAIL:
                self.of_another = self.of_another or (number if self.is_detailed else 0)
                self.is_detailed = True
            return _ABOUT.match(line) is not None
        match = _DETAIL.fullmatch(line.rstrip())
        self.interfaces += line.strip() == "Interface Descriptor:"
        if match is None or not self.is_detailed or self.of_another:
            return self.is_detailed
        if self.interfaces <= 1 or not match[1].startswith("bInterface"):
            self.details.setdefault(match[1], match[2])
        return self.is_detailed

    def device(self, problems: LineFindings) -> Device | None:
        """Return the device, None for the root hubs of the system that printed the list.

        What is damaged in its details is told to ``problems``.
        """
        if self.of_another:
            problems.damaged(
                self.of_another,
                "details of a device begin; expected a line before them that names it: Bus …: ID …",
            )
        if self.vendor == _ROOT_HUB or self.is_told_before:
            return None
        chip = f"USB\\VID_{self.vendor}&PID_{self.product}"
        revision = _REVISION.fullmatch(self.details.get("bcdDevice", ""))
        hardware = [chip] if revision is None else [f"{chip}&REV_{revision[1]:0>2}{revision[2]}"]
        compatible = self._compatible()
        if self.is_detailed and (revision is None or compatible is None):
            names = [] if revision else ["bcdDevice"]
            names += ["the class of the device or its interface"] if compatible is None else []
            lost = " and ".join(names)
            problems.damaged(self.line, f"the details of lsusb -v lack {lost}, or have it damaged")
        return device_from_ids(hardware, compatible or [], name=self.name, line=self.line)

    def _compatible(self) -> list[str] | None:
        """Return the identifiers of its class, None where the class is not known."""
        own, count = self._numbers(_CLASS), self._numbers(("bNumInterfaces",))
        if own is None:
            return None
        if own[0] in (0x00, 0xEF) and count is None:
            return None
        if own[0] in (0x00, 0xEF) and count is not None and count[0] > 1:
            return ["USB\\COMPOSITE"]
        if own[0] == 0:
            own = self._numbers(_INTERFACE_CLASS)
        if own is None:
            return None
        return [f"USB\\CLASS_{own[0]:02X}&SUBCLASS_{own[1]:02X}&PROT_{own[2]:02X}"]

    def _numbers(self, names: tuple[str, ...]) -> list[int] | None:
        texts = [self.details.get(name, "") for name in names]
        if not all(text.isdecimal() and int(text[:4]) <= 0xFF for text in texts):
            return None
        return [int(text) for text in texts]


def is_tree_line(line: str, following: str) -> bool:
    """Whether a line of ``-tv`` is told more of by the next; with ``-t`` there is no identifier."""
    return bool(_TREE_LINE.fullmatch(line.strip()) and _TREE_ID.fullmatch(following.strip()))


def start_usb(line: str, number: int, before: str = "") -> UsbRecord | None:
    """Return the device that a line of the list names, None for other lines.

    ``before`` is the line before it, which in a tree tells that a device begins.
    """
    match = _LINE.fullmatch(line.strip())
    tree = _TREE_LINE.fullmatch(before.strip())
    if match is None and tree is not None:
        match = _TREE_ID.fullmatch(line.strip())
    if match is None:
        return None
    record = UsbRecord(number, match[1].upper(), match[2].upper(), (match[3] or "").strip())
    record.is_told_before = tree is not None and (tree[1] or "0").strip("0") != ""
    return record
