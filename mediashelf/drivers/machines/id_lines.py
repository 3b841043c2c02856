"""Lines of text that have identifiers, or the names of the devices that these are of.

A name belongs to the identifiers below it: those that are indented deeper, and those of
the same block of ``key: value`` lines. A line that turns out to name no identifier is
reported, and never becomes the name of the next device.
"""

from __future__ import annotations

import re
from typing import NamedTuple

from mediashelf.drivers.machines.devices import Device
from mediashelf.drivers.machines.id_group import IdGroup
from mediashelf.drivers.machines.identifiers import is_well_formed
from mediashelf.drivers.machines.line_findings import LineFindings
from mediashelf.drivers.machines.line_words import (
    COMPATIBLE,
    HARDWARE,
    PLACE,
    find_identifiers,
    find_label,
    indent_of,
    is_name_key,
    last_column,
)

_KEY = re.compile(r"([\w /().-]{1,60})(?::(?=\s|$)|=)(.*)")
_AFTER = re.compile(r"\S* {1,40}: {1,40}(\S.*)")
_BARE_ID = re.compile(r"[!-+\--~]{2,199}")
_RULER = re.compile(r"[-=+| ]{4,}")
_TORN = re.compile(r"(?:^|\s)&(?:DEV|PID|SUBSYS|REV|CC|MI)_", re.IGNORECASE)
_MOST_WAITING = 40  # lines of one block; also a bound on the time that a text can take


class _WaitingLine(NamedTuple):
    """A line that may name what comes next; ``is_detail`` for ``key: value``."""

    number: int
    line: str
    indent: int
    name: str
    is_detail: bool


class _WaitingLines:
    """The lines that wait for identifiers; those that none come below are reported."""

    def __init__(self, problems: LineFindings) -> None:
        self._problems = problems
        self._lines: list[_WaitingLine] = []

    def add(self, line: _WaitingLine) -> None:
        """Have a line wait."""
        self._lines.append(line)

    def drop(self, indent: int, *, but_details: bool = False) -> None:
        """Report the lines that nothing came below; those above ``indent`` go on waiting."""
        kept: list[_WaitingLine] = []
        least = len(self._lines) - _MOST_WAITING
        for index, one in enumerate(self._lines):
            if index < least:
                self._problems.not_understood(one.number, one.line)
            elif indent > one.indent or (but_details and one.is_detail):
                kept.append(one)
            else:
                self._problems.not_understood(one.number, one.line)
        self._lines = kept

    def drop_all(self) -> None:
        """Report all lines."""
        self.drop(-1)

    def take_name(self, indent: int, *, is_labelled: bool) -> str:
        """Return the name that waits above an identifier at ``indent``; no line waits any more."""
        used = [one for one in self._lines if one.is_detail or one.indent < indent]
        self._lines = [one for one in self._lines if one not in used]
        self.drop_all()
        for one in used:
            if not (one.name or is_labelled):
                self._problems.not_understood(one.number, one.line)
        named = [one.name for one in used if one.name]
        return named[-1] if named else ""


class IdentifierLines:
    """Takes such lines in order, and puts the devices to the others."""

    def __init__(self, devices: list[Device], problems: LineFindings) -> None:
        self._devices = devices
        self._problems = problems
        self._group: IdGroup | None = None
        self._label = ""  # "hardware" or "compatible" while ids below such a heading are read
        self._label_indent = 0
        self._name = ""  # of the next device
        self._is_keyed = False  # the device is one of a block of "key: value" lines
        self._waiting = _WaitingLines(problems)

    def end_block(self) -> None:
        """End the device that is read, and report the names that nothing came below."""
        self.end_device()
        self._waiting.drop_all()

    def take(self, line: str, number: int, following: str) -> None:
        """Take the next line; ``following`` is the one after it."""
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
                self.end_device()  # the list of the next device
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
        self.end_device()
        if label == PLACE:
            self._is_keyed = True
            return
        self._waiting.drop(indent)
        self._waiting.add(_WaitingLine(number, line, indent, before, is_detail=True))

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
            self.end_device()
            self._waiting.drop(indent, but_details=True)
            name = value if is_name else "" if value else detail[1].strip()
            self._waiting.add(_WaitingLine(number, line, indent, name, is_detail=bool(value)))
            return
        if self._is_in_block(indent):
            self._problems.not_understood(number, line)
            return
        self.end_device()
        self._waiting.drop(indent)
        if indent_of(following) > indent and following.strip():
            self._waiting.add(_WaitingLine(number, line, indent, line.strip(), is_detail=False))
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

    def _use_waiting(self, indent: int, *, is_labelled: bool) -> None:
        """Let an identifier at ``indent`` have the name that waits above it."""
        name = self._waiting.take_name(indent, is_labelled=is_labelled)
        if name:
            label, label_indent = self._label, self._label_indent
            self.end_device()
            self._name = name
            self._label, self._label_indent = label, label_indent

    def _add(self, word: str, number: int, *, is_first: bool, indent: int = 0) -> None:
        is_compatible = self._label == "compatible"
        is_listed = self._is_listed(indent)
        if self._group is None or (
            not self._group.holds(word, is_compatible, is_listed=is_listed)
            if is_first
            else self._group.is_denied_by(word)
        ):
            name, label, label_indent = self._name, self._label, self._label_indent
            is_keyed = self._is_keyed and self._group is None
            self.end_device()
            self._is_keyed = is_keyed
            self._group = IdGroup(number, name, indent=indent)
            self._label, self._label_indent = label, label_indent
            if label:
                self._group.headings.add(label)
        self._group.add(word, is_compatible)

    def end_device(self) -> None:
        """Put the device that is read to the others."""
        group, self._group = self._group, None
        self._label = self._name = ""
        self._is_keyed = False
        if group is not None:
            self._devices.append(group.device())
