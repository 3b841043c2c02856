"""Lines of text that name devices: ``lspci``, ``lsusb``, ids one a line, device lists.

A name belongs to the identifiers below it: those that are indented deeper, and those of
the same block of ``key: value`` lines. A line that turns out to name no identifier is
reported, and never becomes the name of the next device.
"""

from __future__ import annotations

import re

from mediashelf.drivers.machines import lspci
from mediashelf.drivers.machines.devices import Device
from mediashelf.drivers.machines.id_group import IdGroup
from mediashelf.drivers.machines.identifiers import is_well_formed
from mediashelf.drivers.machines.line_findings import LineFindings
from mediashelf.drivers.machines.line_words import (
    COMPATIBLE,
    HARDWARE,
    PLACE,
    WaitingLine,
    find_identifiers,
    find_label,
    indent_of,
    is_name_key,
    last_column,
)
from mediashelf.drivers.machines.lsusb import UsbRecord, is_tree_line, start_usb
from mediashelf.drivers.machines.pci_details import OpenPciDevice, goes_on, parse_dump_row

_KEY = re.compile(r"([\w /().-]{1,60})(?::(?=\s|$)|=)(.*)")
_AFTER = re.compile(r"\S* {1,40}: {1,40}(\S.*)")
_BARE_ID = re.compile(r"[!-+\--~]{2,199}")
_RULER = re.compile(r"[-=+| ]{4,}")
_TORN = re.compile(r"(?:^|\s)&(?:DEV|PID|SUBSYS|REV|CC|MI)_", re.IGNORECASE)
_MOST_WAITING = 40  # lines of one block; also a bound on the time that a text can take


class TextParser:
    """Takes lines in order; :meth:`finish` returns the devices."""

    def __init__(self, problems: LineFindings) -> None:
        self._problems = problems
        self._devices: list[Device] = []
        self._record: lspci.LspciRecord | None = None
        self._usb: UsbRecord | None = None
        self._group: IdGroup | None = None
        self._label = ""  # "hardware" or "compatible" while ids below such a heading are read
        self._label_indent = 0
        self._name = ""  # of the next device
        self._is_keyed = False  # the device is one of a block of "key: value" lines
        self._waiting: list[WaitingLine] = []
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
            self._take_text(line, number, following)

    def _end_block(self) -> None:
        self._end_usb()
        self._end_record()
        self._end_group()
        self._drop_waiting(-1)
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
            self._end_group()
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

    def _take_text(self, line: str, number: int, following: str) -> None:
        self._end_usb()
        self._end_pci()
        words = find_identifiers(line)
        if _TORN.search(line):
            self._problems.malformed(number, line.strip())
        label = find_label(line)
        indent = indent_of(line)
        if label in (HARDWARE, COMPATIBLE):
            self._start_label(label, indent)
        elif words and indent < self._label_indent:
            self._label = ""  # the heading was inside the device before
        if not words:
            if label in (HARDWARE, COMPATIBLE) or _RULER.fullmatch(line.strip()):
                return
            if self._is_listed(indent) and _BARE_ID.fullmatch(line.strip()):
                self._add(line.strip().upper(), number, is_first=False)
            else:
                self._take_other(line, number, following)
            return
        self._take_name_beside(line, words[0], number, label)
        for word in words:
            if not is_well_formed(word):
                self._problems.malformed(number, word)
                continue
            self._use_waiting(indent, is_labelled=bool(label))
            self._add(word.upper(), number, is_first=word == words[0], indent=indent)
            if self._group is not None and line[line.index(word) + len(word) :].startswith("\\"):
                self._group.is_placed = True
        after = _AFTER.fullmatch(line[line.index(words[-1]) + len(words[-1]) :].rstrip())
        if after is not None and self._group is not None and not self._group.name:
            self._group.name = after[1].strip()

    def _start_label(self, label: str, indent: int) -> None:
        self._label, self._label_indent = label, indent
        if self._group is not None:
            if label in self._group.headings:
                self._end_group()  # the list of the next device
                self._label, self._label_indent = label, indent
            else:
                self._group.headings.add(label)

    def _is_listed(self, indent: int) -> bool:
        group = self._group
        return group is not None and self._label in group.headings and indent > self._label_indent

    def _take_name_beside(self, line: str, word: str, number: int, label: str) -> None:
        """Take what stands before the first identifier of a line as the device's name."""
        before = last_column(line[: line.index(word)].strip(" \t:=-\"'|{,;"))
        if label in (HARDWARE, COMPATIBLE) or not before:
            return
        indent = indent_of(line)
        self._end_group()
        if label == PLACE:
            self._is_keyed = True
            return
        self._drop_waiting(indent)
        self._waiting.append(WaitingLine(number, line, indent, before, is_detail=True))

    def _take_other(self, line: str, number: int, following: str) -> None:
        indent = indent_of(line)
        detail = _KEY.fullmatch(line.strip())
        if detail is not None:
            key, value = detail[1].strip().lower(), detail[2].strip()
            is_name = is_name_key(key) and bool(value)
            if self._group is not None and (indent or is_name or self._is_in_block(indent)):
                if is_name and not self._group.name:
                    self._group.name = value
                return
            self._end_group()
            self._drop_waiting(indent, but_details=True)
            name = value if is_name else "" if value else detail[1].strip()
            self._waiting.append(WaitingLine(number, line, indent, name, is_detail=bool(value)))
            return
        if self._is_in_block(indent):
            self._problems.not_understood(number, line)
            return
        self._end_group()
        self._drop_waiting(indent)
        if indent_of(following) > indent and following.strip():
            self._waiting.append(WaitingLine(number, line, indent, line.strip(), is_detail=False))
        else:
            self._problems.not_understood(number, line)

    def _is_in_block(self, indent: int) -> bool:
        """Whether a line without identifiers is among those of the device that is read.

        In a tree the next device's name is less deep than the identifiers of the last.
        """
        group = self._group
        if group is None or indent < group.indent:
            return False
        return self._is_keyed or bool(group.headings) or group.is_placed

    def _drop_waiting(self, indent: int, *, but_details: bool = False) -> None:
        """Report the lines that nothing came below; those above ``indent`` go on waiting."""
        kept: list[WaitingLine] = []
        least = len(self._waiting) - _MOST_WAITING
        for index, one in enumerate(self._waiting):
            if index < least:
                self._problems.not_understood(one.number, one.line)
            elif indent > one.indent or (but_details and one.is_detail):
                kept.append(one)
            else:
                self._problems.not_understood(one.number, one.line)
        self._waiting = kept

    def _use_waiting(self, indent: int, *, is_labelled: bool) -> None:
        """Let an identifier at ``indent`` have the name that waits above it."""
        used = [one for one in self._waiting if one.is_detail or one.indent < indent]
        self._waiting = [one for one in self._waiting if one not in used]
        self._drop_waiting(-1)
        for one in used:
            if not (one.name or is_labelled):
                self._problems.not_understood(one.number, one.line)
        named = [one.name for one in used if one.name]
        if named:
            label, label_indent = self._label, self._label_indent
            self._end_group()
            self._name = named[-1]
            self._label, self._label_indent = label, label_indent

    def _add(self, word: str, number: int, *, is_first: bool, indent: int = 0) -> None:
        is_compatible = self._label == "compatible"
        is_listed = self._is_listed(indent)
        if self._group is None or (
            is_first and not self._group.holds(word, is_compatible, is_listed=is_listed)
        ):
            name, label, label_indent = self._name, self._label, self._label_indent
            is_keyed = self._is_keyed and self._group is None
            self._end_group()
            self._is_keyed = is_keyed
            self._group = IdGroup(number, name, indent=indent)
            self._label, self._label_indent = label, label_indent
            if label:
                self._group.headings.add(label)
        self._group.add(word, is_compatible)

    def _end_group(self) -> None:
        group, self._group = self._group, None
        self._label = self._name = ""
        self._is_keyed = False
        if group is not None:
            self._devices.append(group.device())
