r"""Identifiers on following lines that are of one device, as device lists print them."""

from __future__ import annotations

import re

from msgspec import Struct, field

from mediashelf.drivers.machines.bus_lists import bus_lists
from mediashelf.drivers.machines.devices import Device, agree, device_from_ids, merge
from mediashelf.drivers.machines.identifiers import (
    PciFunction,
    is_compatible_form,
    parse_pci_identifier,
    usb_class_identifiers,
)

_VENDOR = re.compile(r"VEN_([0-9A-F]{4})")
_USB_DEVICE_SIZE = len("USB\\VID_0000&PID_0000")


class IdGroup(Struct):
    """The identifiers of one device, as the lines come; all are in upper case."""

    line: int
    name: str = ""
    first: str = ""
    hardware: dict[str, None] = field(default_factory=dict)
    compatible: dict[str, None] = field(default_factory=dict)
    function: PciFunction | None = None
    headings: set[str] = field(default_factory=set)
    indent: int = 0  # of the first identifier
    is_placed: bool = False  # an identifier was that of an instance, with its place

    def add(self, identifier: str, is_compatible: bool) -> None:
        """Add one; ``is_compatible`` says that it stands under such a heading."""
        if (is_compatible and self.hardware) or is_compatible_form(identifier):
            self.compatible[identifier] = None
        else:
            if self.is_placed and identifier == self.first:
                del self.hardware[identifier]  # the list below the instance's has the order
            self.hardware[identifier] = None
            self.first = self.first or identifier
        function = parse_pci_identifier(identifier)
        if function is not None:
            self.function = merge(self.function, function) if self.function else function

    def device(self) -> Device:
        """Return the device that the identifiers describe together."""
        return device_from_ids(self.hardware, self.compatible, name=self.name, line=self.line)

    def holds(self, identifier: str, is_compatible: bool, *, is_listed: bool = False) -> bool:
        """Whether an identifier on a new line is of this device too, and not of the next.

        ``is_listed`` says that it stands below a heading that this device has.
        """
        if not self.hardware:
            return is_compatible_form(identifier)
        if is_listed:
            return True
        first = self.first
        function = parse_pci_identifier(identifier)
        if function is not None:
            return self.function is not None and agree(self.function, function)
        if is_compatible:
            return True
        if is_compatible_form(identifier):
            return self._is_kind_of(identifier)
        if any(identifier in listed for listed in bus_lists(first) or ()):
            return True
        if identifier.startswith("*") and first.startswith("ISAPNP\\"):
            # ISAPNP\QLN0031_DEV0000 and *QLN0000 are one device: the same maker's letters.
            return identifier[1:4] == first[7:10]
        if first.startswith("USB\\VID_") and identifier.startswith("USB\\VID_"):
            is_same = first[:_USB_DEVICE_SIZE] == identifier[:_USB_DEVICE_SIZE]
            return is_same and ("MI_" in first) == ("MI_" in identifier)
        return False

    def is_denied_by(self, identifier: str) -> bool:
        """Whether an identifier on the same line names another chip or product than this one."""
        buses = {one.partition("\\")[0] for one in (self.first, identifier) if "\\" in one}
        if len(buses) > 1 and not buses.isdisjoint(("PCI", "USB")):
            return True
        function = parse_pci_identifier(identifier)
        if function is not None and self.function is not None:
            return not agree(self.function, function)
        products = (identifier[:_USB_DEVICE_SIZE], self.first[:_USB_DEVICE_SIZE])
        if all(one.startswith("USB\\VID_") for one in products):
            return products[0] != products[1]
        return False

    def _is_kind_of(self, identifier: str) -> bool:
        """Whether an identifier of a kind of device may be of the one that is read."""
        if usb_class_identifiers(identifier):
            return self.first.startswith("USB\\")
        vendor = _VENDOR.search(identifier)
        return self.function is not None and (
            vendor is None or int(vendor[1], 16) == self.function.vendor
        )
