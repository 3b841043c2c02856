r"""Identifiers on following lines that are of one device, as device lists print them."""

from __future__ import annotations

import re
from dataclasses import dataclass, field

from mediashelf.drivers.devices import Device, agree, device_from_ids
from mediashelf.drivers.identifiers import (
    is_compatible_form,
    parse_pci_identifier,
    usb_class_identifiers,
)

_VENDOR = re.compile(r"VEN_([0-9A-F]{4})")
_USB_DEVICE_SIZE = len("USB\\VID_0000&PID_0000")


@dataclass
class IdGroup:
    """The identifiers of one device, as the lines come; all are in upper case."""

    line: int
    name: str = ""
    hardware: list[str] = field(default_factory=list)
    compatible: list[str] = field(default_factory=list)

    def add(self, identifier: str, is_compatible: bool) -> None:
        """Add one; ``is_compatible`` says that it stands under such a heading."""
        if (is_compatible and self.hardware) or is_compatible_form(identifier):
            self.compatible.append(identifier)
        else:
            self.hardware.append(identifier)

    def device(self) -> Device:
        """Return the device that the identifiers describe together."""
        return device_from_ids(self.hardware, self.compatible, name=self.name, line=self.line)

    def holds(self, identifier: str, is_compatible: bool) -> bool:
        """Whether an identifier on a new line is of this device too, and not of the next."""
        if not self.hardware:
            return is_compatible_form(identifier)
        first = self.hardware[0]
        if parse_pci_identifier(identifier) is not None:
            return self._may_be_one_function(identifier)
        if is_compatible:
            return True
        if is_compatible_form(identifier):
            return self._is_kind_of(identifier)
        if identifier.startswith("*") and first.startswith("ISAPNP\\"):
            # ISAPNP\CSC6835_DEV0000 and *CSC0000 are one device: the same maker's letters.
            return identifier[1:4] == first[7:10]
        if first.startswith("USB\\VID_") and identifier.startswith("USB\\VID_"):
            is_same = first[:_USB_DEVICE_SIZE] == identifier[:_USB_DEVICE_SIZE]
            return is_same and ("MI_" in first) == ("MI_" in identifier)
        return False

    def _may_be_one_function(self, identifier: str) -> bool:
        other = parse_pci_identifier(identifier)
        known = [parse_pci_identifier(text) for text in self.hardware]
        return (
            other is not None
            and known[0] is not None
            and all(one is None or agree(one, other) for one in known)
        )

    def _is_kind_of(self, identifier: str) -> bool:
        """Whether an identifier of a kind of device may be of the one that is read."""
        if usb_class_identifiers(identifier):
            return self.hardware[0].startswith("USB\\")
        function = parse_pci_identifier(self.hardware[0])
        vendor = _VENDOR.search(identifier)
        return function is not None and (vendor is None or int(vendor[1], 16) == function.vendor)
