"""Lines of text that name devices: ``lspci``, ``lsusb``, ids one a line, device lists."""

from __future__ import annotations

from mediashelf.drivers.machines import lspci
from mediashelf.drivers.machines.devices import Device
from mediashelf.drivers.machines.id_lines import IdentifierLines
from mediashelf.drivers.machines.line_findings import LineFindings
from mediashelf.drivers.machines.line_words import find_identifiers
from mediashelf.drivers.machines.lsusb import UsbRecord, is_tree_line, start_usb
from mediashelf.drivers.machines.pci_details import OpenPciDevice, goes_on, parse_dump_row


class TextParser:
    """Takes lines in order; :meth:`finish` returns the devices."""

    def __init__(self, problems: LineFindings) -> None:
        self._problems = problems
        self._devices: list[Device] = []
        self._record: lspci.LspciRecord | None = None
        self._usb: UsbRecord | None = None
        self._ids = IdentifierLines(self._devices, problems)
        self._pci: OpenPciDevice | None = None
        self._before = ""  # the line before

    def finish(self) -> list[Device]:
        """Return the devices in the order of the lines."""
        self._end_block()
        return self._devices

    def take(self, line: str, number: int, following: str) -> None:
        """Take the next line; ``following`` is the one after it."""
        stripped = line.strip()
        before, self._before = self._before, stripped
        if not stripped or is_tree_line(stripped, following):
            self._end_block()
            return
        if stripped[0] in "#;":
            return
        tag = lspci.parse_tag(line)
        usb = start_usb(line, number, before)
        tree = lspci.parse_tree_line(stripped, number)
        row = parse_dump_row(stripped) if self._pci or self._record else None
        if usb is not None:
            self._end_block()
            self._usb = usb
        elif self._usb is not None and self._usb.add(line, number):
            pass
        elif row is not None:
            if self._pci is not None:  # a record of -vmm has all that matters itself
                self._pci.add_row(number, *row)
        elif tree is not None:
            self._end_block()
            self._devices.append(tree)
        elif tag is not None and (self._record is not None or lspci.starts_record(*tag)):
            self._take_tag(*tag, number)
        elif lspci.is_lspci_line(line):
            self._take_lspci(line, number)
        elif self._pci is not None and line[0] in " \t":
            self._pci.add(line, number)
        elif self._pci is not None and goes_on(following) and not find_identifiers(line):
            self._problems.not_understood(number, line)
        else:
            self._end_usb()
            self._end_pci()
            self._ids.take(line, number, following)

    def _end_block(self) -> None:
        self._end_usb()
        self._end_record()
        self._ids.end_block()
        self._end_pci()

    def _end_pci(self) -> None:
        pci, self._pci = self._pci, None
        if pci is not None and pci.device.function is None:
            self._problems.names_only(pci.device.line)
        elif pci is not None:
            self._devices.append(pci.device)

    def _end_usb(self) -> None:
        record, self._usb = self._usb, None
        device = record.device(self._problems) if record is not None else None
        if device is not None:
            self._devices.append(device)

    def _take_tag(self, tag: str, value: str, number: int) -> None:
        if lspci.starts_record(tag, value):
            self._end_record()  # a copy may have lost the blank line between records
        if self._record is None:
            self._ids.end_device()
            self._end_pci()
            self._record = lspci.LspciRecord(number, {})
        lspci.add_tag(self._record, tag, value)

    def _end_record(self) -> None:
        record, self._record = self._record, None
        if record is None:
            return
        try:
            device = lspci.parse_record(record, self._problems)
        except lspci.NamesOnlyError:
            self._problems.names_only(record.line)
            return
        if device is None:
            self._problems.add(
                "machine-record-incomplete",
                record.line,
                "the record lacks Slot, Class, Vendor or Device",
                "copy the whole output",
            )
        else:
            self._devices.append(device)

    def _take_lspci(self, line: str, number: int) -> None:
        self._end_block()
        try:
            device = lspci.parse_lspci_line(line, number, self._problems)
        except lspci.NamesOnlyError:
            device = lspci.named_only(line, number)  # its registers may follow
        if device is None:
            self._problems.not_understood(number, line)
            return
        self._pci = OpenPciDevice(device, self._problems)
