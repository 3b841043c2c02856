"""A file that describes a machine → its devices, and findings for lines that make no sense.

It may hold text of ``lspci``, hardware ids one a line, a copy of a device list with
ids among other text, or all of these one after another.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from pathlib import Path

from mediashelf.drivers.machines import lspci
from mediashelf.drivers.machines.devices import Device, device_from_ids, pci_device
from mediashelf.drivers.machines.id_group import IdGroup
from mediashelf.drivers.machines.identifiers import (
    ENUMERATORS,
    is_well_formed,
)
from mediashelf.errors import InputError
from mediashelf.findings import Finding, Severity
from mediashelf.formats.inf.text import decode_inf

MAX_FILE = 4 << 20
"""Bytes of a machine's file; a real one has some thousands."""

MAX_LINE = 1000
"""Characters of a line that are looked at."""

MAX_SHOWN = 50

_WORD = re.compile(r"(?:\*|\b[A-Z0-9]+\\)[^\s\"',;\\]+", re.IGNORECASE)
_LABEL = re.compile(r"\s*(hardware|compatible)[ _-]?ids?\b", re.IGNORECASE)
_DESCRIPTION = re.compile(r"\s+\S|[\w /().-]+[:=](?:\s|$)")
_DUMP = re.compile(r"[0-9a-f]{2,3}: (?:[0-9a-f]{2} ?)+", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Machine:
    """The devices of one machine in the order of its file, and what was wrong with the file."""

    name: str
    devices: tuple[Device, ...]
    findings: tuple[Finding, ...] = ()


def read_machine(path: Path) -> Machine:
    """Return the machine that a file describes; raises :class:`InputError`."""
    try:
        with path.open("rb") as stream:
            data = stream.read(MAX_FILE + 1)
    except OSError as error:
        raise InputError(f"{path}: cannot be read: {error.strerror or error}") from error
    if len(data) > MAX_FILE:
        raise InputError(f"{path}: larger than {MAX_FILE:,} bytes, so no list of devices")
    return parse_machine(decode_inf(data, code_page="utf-8").text, name=path.name)


def parse_machine(text: str, *, name: str = "machine") -> Machine:
    """Return the machine that ``text`` describes; ``name`` stands in the findings."""
    parser = _Parser(name)
    lines = text.replace("\0", "").replace("\r\n", "\n").replace("\r", "\n").split("\n")
    for number, line in enumerate(lines, 1):
        following = lines[number] if number < len(lines) else ""
        parser.take(line[:MAX_LINE], number, following)
    parser.end_record()
    parser.end_group()
    parser.conclude()
    return Machine(name, tuple(parser.devices), tuple(parser.findings))


class _Parser:
    def __init__(self, name: str) -> None:
        self.name = name
        self.devices: list[Device] = []
        self.findings: list[Finding] = []
        self.record: lspci.LspciRecord | None = None
        self.group: IdGroup | None = None
        self.label = ""  # "hardware" or "compatible" while ids below such a heading are read
        self.label_indent = 0
        self.text = ""  # a line that may be the next device's name
        self.is_verbose = False  # the last device came from a line that details may follow
        self.not_shown = 0

    def take(self, line: str, number: int, following: str) -> None:
        stripped = line.strip()
        if not stripped:
            self.end_record()
            self.end_group()
            self.is_verbose = False
            return
        if stripped[0] in "#;":
            return
        tag = lspci.parse_tag(line)
        if tag is not None and (self.record is not None or lspci.starts_record(*tag)):
            self._take_tag(*tag, number)
        elif lspci.is_lspci_line(line):
            self._take_lspci(line, number)
        elif self.is_verbose and line[0] in " \t":
            self._take_detail(line)
        else:
            self._take_text(line, number, following)

    def _take_tag(self, tag: str, value: str, number: int) -> None:
        if lspci.starts_record(tag, value):
            self.end_record()  # a copy may have lost the blank line between records
        if self.record is None:
            self.end_group()
            self.record = lspci.LspciRecord(number, {})
        lspci.add_tag(self.record, tag, value)

    def end_record(self) -> None:
        record, self.record = self.record, None
        if record is None:
            return
        try:
            device = lspci.parse_record(record)
        except lspci.NamesOnlyError:
            self._names_only(record.line)
            return
        if device is None:
            self._report(
                "machine-record-incomplete",
                record.line,
                "The record lacks Slot, Class, Vendor or Device",
                "copy the whole output",
            )
        else:
            self.devices.append(device)

    def _take_lspci(self, line: str, number: int) -> None:
        self.end_record()
        self.end_group()
        self.is_verbose = False
        try:
            device = lspci.parse_lspci_line(line, number)
        except lspci.NamesOnlyError:
            self._names_only(number)
            self.is_verbose = True
            self.devices.append(_NOTHING)
            return
        if device is None:
            self._not_understood(number, line)
            return
        self.is_verbose = True
        self.devices.append(device)

    def _take_detail(self, line: str) -> None:
        """Take an indented line of ``lspci -v``: only the subsystem matters here."""
        device = self.devices[-1]
        subsystem = lspci.parse_subsystem_line(line)
        if subsystem is not None and device.function is not None:
            function = device.function._replace(subsystem=subsystem)
            self.devices[-1] = replace(
                pci_device(function), name=device.name, slot=device.slot, line=device.line
            )

    def _take_text(self, line: str, number: int, following: str) -> None:
        matches = [match for match in _WORD.finditer(line) if _is_identifier(match[0])]
        words = [match[0] for match in matches]
        label = _LABEL.match(line)
        indent = len(line) - len(line.lstrip())
        if label is not None:
            self.label, self.label_indent = label[1].lower(), indent
        elif words and indent < self.label_indent:
            self.label = ""  # the heading was inside the device before
        if not words:
            if label is not None or _DUMP.fullmatch(line.strip()):
                return
            if _DESCRIPTION.match(line) or following[:1] in (" ", "\t"):
                self._take_description(line)
            else:
                self._not_understood(number, line)
            return
        before = line[: matches[0].start()].strip(" \t:=-\"'")
        if before and label is None:
            self.end_group()
            self.text = before
        for word in words:
            if not is_well_formed(word):
                self._report(
                    "identifier-malformed",
                    number,
                    f"{word[:60]} is not a complete identifier",
                    "copy it again, with all its digits",
                )
                continue
            self._take_identifier(word.upper(), number, is_first=word == words[0])

    def _take_description(self, line: str) -> None:
        name, colon, value = line.strip().partition(":")
        text = value.strip() if colon and value.strip() else name.strip()
        if self.group is not None and line[:1] not in " \t":
            self.end_group()
        if self.group is None:
            self.text = text
        elif not self.group.name and name.strip().lower() in ("name", "description"):
            self.group.name = text

    def _take_identifier(self, word: str, number: int, *, is_first: bool) -> None:
        is_compatible = self.label == "compatible"
        if self.group is None or (is_first and not self.group.holds(word, is_compatible)):
            text, label, indent = self.text, self.label, self.label_indent
            self.end_group()
            self.group = IdGroup(number, text)
            self.label, self.label_indent = label, indent
        self.group.add(word, is_compatible)

    def end_group(self) -> None:
        group, self.group = self.group, None
        self.label = self.text = ""
        if group is not None:
            self.devices.append(group.device())

    def _names_only(self, number: int) -> None:
        self._report(
            "names-without-numbers",
            number,
            "The device has a name but no numbers, so its identifiers are unknown",
            "run lspci -nnvmm and use its output",
        )

    def _not_understood(self, number: int, line: str) -> None:
        self._report(
            "machine-line-unknown",
            number,
            f"The line holds no device: {line.strip()[:60]}",
            "start remarks with #",
        )

    def _report(self, rule: str, number: int, message: str, remedy: str) -> None:
        if len(self.findings) >= MAX_SHOWN:
            self.not_shown += 1
            return
        where = f"{self.name} line {number}"
        self.findings.append(Finding(rule, Severity.WARNING, where, message, remedy))

    def conclude(self) -> None:
        """Drop place holders, and say what holds for the whole file."""
        self.devices = [device for device in self.devices if device is not _NOTHING]
        if self.not_shown:
            self.findings.append(
                Finding(
                    "machine-line-unknown",
                    Severity.WARNING,
                    self.name,
                    f"{self.not_shown:,} more lines with problems",
                )
            )
        if not self.devices:
            self.findings.append(
                Finding(
                    "machine-without-devices",
                    Severity.ERROR,
                    self.name,
                    "No device was found in the machine's file",
                    "use the output of lspci -nnvmm, or one hardware id a line",
                )
            )


_NOTHING = Device(device_from_ids(()).identifiers)


def _is_identifier(word: str) -> bool:
    if word.startswith("*"):
        return len(word) >= 8 and word[1:4].isalpha()
    return word.partition("\\")[0].upper() in ENUMERATORS
