"""The text that ``lspci`` prints → devices.

Forms ``-n``, ``-nn`` (also with ``-v`` or ``-D``), ``-mm``, ``-nmm``, ``-nnmm``, and the
records of ``-vmm``, ``-nvmm``, ``-nnvmm`` and of the old ``-vm``. Sources: the program's
manual page for the machine-readable forms, which it promises to keep; its source text
(pciutils, ``lspci.c``) for the others, which it does not.
"""

from __future__ import annotations

import re
from typing import NamedTuple

from mediashelf.drivers.machines.classes import class_words
from mediashelf.drivers.machines.devices import Device, pci_device
from mediashelf.drivers.machines.identifiers import Identifiers, PciFunction
from mediashelf.drivers.machines.line_findings import LineFindings

# With -P and -PP the bridges on the way stand before the device.
_BRIDGED = r"(?:/(?:[0-9a-f]{2}:)?[0-9a-f]{2}\.[0-7])*"
_SLOT = rf"(?:[0-9a-f]{{4,8}}:)?[0-9a-f]{{2}}:[0-9a-f]{{2}}\.[0-7]{_BRIDGED}"
_LINE = re.compile(rf"({_SLOT})\s+(\S.*)", re.IGNORECASE)
_IS_SLOT = re.compile(_SLOT, re.IGNORECASE)
_NUMERIC = re.compile(  # without -n, too, it has numbers for what it does not know
    r"(?i)(?:([0-9a-f]{4}): |[^:[]*: Device )([0-9a-f]{4}):([0-9a-f]{4})(?=\s|$)(.*)"
)
_NAMED = re.compile(
    r"(.*?) ?\[([0-9a-f]{4})\]: (.*?) ?\[([0-9a-f]{4}):([0-9a-f]{4})\](?!.*\[[0-9a-f]{4}:)(.*)",
    re.IGNORECASE,
)
_REVISION = re.compile(r"\(rev ([0-9a-f]{2})\)", re.IGNORECASE)
_PROG_IF = re.compile(r"\(prog-if ([0-9a-f]{2})\b", re.IGNORECASE)
_SUBSYSTEM = re.compile(r"\s+Subsystem:.*?\[?\b([0-9a-f]{4}):([0-9a-f]{4})\]?\s*$", re.IGNORECASE)
_NUMBER = re.compile(r"(?:(.*?) ?\[([0-9a-f]{4})\]|([0-9a-f]{4}))", re.IGNORECASE | re.DOTALL)
_WORD = re.compile(r'"((?:[^"\\]|\\.)*)"|(\S+)')
_TAG = re.compile(r"([A-Za-z][A-Za-z0-9]*):[\t ]+(.*)")  # copies turn the tab into blanks
_OPTIONS = {"r": "Rev", "p": "ProgIf"}
_LOST = "?"
"""Stands for a word that a line has lost."""

_TREE = re.compile(
    r"[0-9a-f]{2}\.[0-7]  (?:(\S.*?) ?\[([0-9a-f]{4}):([0-9a-f]{4})\]"
    r"|([0-9a-f]{4}):([0-9a-f]{4}))$",
    re.IGNORECASE,
)
_CLASS_WORDS = re.compile(r"[^:]*: ")


class NamesOnlyError(ValueError):
    """A line of lspci has names but no numbers, so no identifiers can be made."""


def is_lspci_line(line: str) -> bool:
    """Whether a line starts with a bus address as ``lspci`` prints it."""
    return _LINE.match(line.lstrip()) is not None


def parse_lspci_line(line: str, number: int, problems: LineFindings) -> Device | None:
    """Return the device of one line, or None when the line has another form.

    What is damaged in it is told to ``problems``. Raises :class:`NamesOnlyError` for a line
    without numbers.
    """
    match = _LINE.fullmatch(line.strip())
    if match is None:
        return None
    slot, rest = match[1].lower(), match[2]
    if rest[0] in '"-':
        return _quoted_line(slot, rest, number, problems)
    numeric = _NUMERIC.fullmatch(rest)
    if numeric is not None:
        class_code = int(numeric[1], 16) if numeric[1] else None
        function = PciFunction(int(numeric[2], 16), int(numeric[3], 16), class_code=class_code)
        return _terse(slot, "", function, numeric[4], number, problems)
    named = _NAMED.fullmatch(rest)
    if named is None:
        raise NamesOnlyError(line)
    class_code, vendor, device = (int(named[index], 16) for index in (2, 4, 5))
    function = PciFunction(vendor, device, class_code=class_code)
    return _terse(slot, named[3], function, named[6], number, problems)


def _revision(tail: str, number: int, problems: LineFindings) -> int | None:
    """Return the revision at the end of a line, None where it is damaged."""
    revision = _REVISION.search(tail)
    if revision is None and ("rev" in tail or tail.count("(") > tail.count(")")):
        problems.damaged(number, f"the line goes on as {tail.strip()!r}; expected (rev NN)")
        return None
    return int(revision[1], 16) if revision else 0  # the program leaves out a revision of zero


def named_only(line: str, number: int) -> Device:
    """Return what a line without numbers tells: a place and a name, and no identifier."""
    match = _LINE.fullmatch(line.strip())
    slot, words = (match[1].lower(), match[2]) if match else ("", "")
    name = _REVISION.sub("", _CLASS_WORDS.sub("", words, count=1)).strip()
    return Device(Identifiers(()), name=name, slot=slot, line=number)


def parse_tree_line(line: str, number: int) -> Device | None:
    """Return the device of a line of ``-tvnn`` or ``-tvn``; None without numbers, or for others."""
    match = _TREE.search(line) if line[:2] in ("-[", "-+", "+-", "\\-", "| ", "|-") else None
    if match is None:
        return None
    vendor, device = (int(match[2] or match[4], 16), int(match[3] or match[5], 16))
    # The tree tells neither class nor revision, and of the place only the end.
    return pci_device(
        PciFunction(vendor, device), name=_shown_name(match[1] or "", None), line=number
    )


def _terse(
    slot: str, name: str, function: PciFunction, tail: str, number: int, problems: LineFindings
) -> Device:
    prog_if = _PROG_IF.search(tail)
    function = function._replace(
        revision=_revision(tail, number, problems), prog_if=int(prog_if[1], 16) if prog_if else None
    )
    name = _shown_name(name, function.class_code)
    return pci_device(function, name=name, slot=slot, line=number)


def _shown_name(name: str, class_code: int | None) -> str:
    """Return a name; where the program does not know the device it says so."""
    vendor = name.removesuffix("Device").rstrip()
    return _vendor_only(vendor, class_code) if f" {name}".endswith(" Device") else name


def _vendor_only(vendor: str, class_code: int | None) -> str:
    return f"{vendor} {class_words(class_code)}" if vendor else ""


def parse_subsystem_line(line: str) -> tuple[int, int] | None:
    """Return (vendor, id) of the ``Subsystem:`` line of ``-v``, or None for other lines."""
    match = _SUBSYSTEM.match(line)
    return (int(match[1], 16), int(match[2], 16)) if match else None


def _quoted_line(slot: str, rest: str, number: int, problems: LineFindings) -> Device | None:
    """Return the device of a ``-m`` line: five quoted words, options anywhere among them."""
    words: list[str] = []
    options: dict[str, str] = {}
    for match in _WORD.finditer(rest):
        if match[1] is not None:
            words.append(re.sub(r"\\(.)", r"\1", match[1]))
        elif match[2].startswith("-"):
            options[match[2][1:2]] = match[2][2:]
        else:
            return None
    if len(words) < 3:
        return None
    fields = dict(zip(("Class", "Vendor", "Device", "SVendor", "SDevice"), words, strict=False))
    fields.update({_OPTIONS[key]: value for key, value in options.items() if key in _OPTIONS})
    if len(words) < 5:
        problems.damaged(number, f"the line has {len(words)} words in quotes; expected 5")
        fields["SVendor"] = fields["SDevice"] = _LOST
    return _from_fields(slot, fields, number, problems)


class LspciRecord(NamedTuple):
    """The lines of one ``-vmm`` record: where it starts, and values by tag."""

    line: int
    fields: dict[str, str]


def parse_tag(line: str) -> tuple[str, str] | None:
    """Return tag and value of a line of ``-vmm``, or None for other lines."""
    match = _TAG.fullmatch(line.rstrip("\r\n"))
    return (match[1], match[2].strip()) if match else None


def starts_record(tag: str, value: str) -> bool:
    """Whether a tag gives the slot, which is always the first line of a record."""
    return tag in ("Slot", "Device") and _IS_SLOT.fullmatch(value) is not None


def add_tag(record: LspciRecord, tag: str, value: str) -> None:
    """Add one line to a record; the old form says ``Device`` for slot and name alike."""
    if starts_record(tag, value):
        tag = "Slot"
    record.fields.setdefault(tag, value)


def parse_record(record: LspciRecord, problems: LineFindings) -> Device | None:
    """Return the device of a ``-vmm`` record, or None when it lacks what a device needs.

    Unknown tags are left alone, as the manual page asks; what is damaged is told to
    ``problems``. Raises :class:`NamesOnlyError` for a record without numbers.
    """
    fields = record.fields
    if not {"Slot", "Class", "Vendor", "Device"} <= set(fields):
        return None
    return _from_fields(fields["Slot"].lower(), fields, record.line, problems)


def _from_fields(slot: str, fields: dict[str, str], line: int, problems: LineFindings) -> Device:
    class_code, vendor, device = (
        _number(fields.get(tag, "")) for tag in ("Class", "Vendor", "Device")
    )
    if class_code is None or vendor is None or device is None:
        raise NamesOnlyError(slot)
    function = PciFunction(
        vendor,
        device,
        subsystem=_subsystem(fields, line, problems),
        revision=_byte(fields, "Rev", line, problems),
        class_code=class_code,
        prog_if=_byte(fields, "ProgIf", line, problems),
    )
    vendor_name, device_name = (_name(fields[tag]) for tag in ("Vendor", "Device"))
    if device_name in ("", "Device"):
        name = _vendor_only("" if vendor_name == "Vendor" else vendor_name, class_code)
    else:
        name = f"{vendor_name} {device_name}"
    return pci_device(function, name=name, slot=slot, line=line)


def _number(text: str) -> int | None:
    match = _NUMBER.fullmatch(text.strip())
    return int(match[2] or match[3], 16) if match else None


def _subsystem(fields: dict[str, str], line: int, problems: LineFindings) -> tuple[int, int] | None:
    """Return vendor and id of the board, None where they cannot be read."""
    texts = [fields.get(tag, "") for tag in ("SVendor", "SDevice")]
    if texts == ["", ""]:
        return 0, 0  # these forms show every subsystem; none at all is zero in the registers
    vendor, number = map(_number, texts)
    if vendor is not None and number is not None:
        return vendor, number
    if _LOST not in texts:
        fact = f"the subsystem is {texts[0]!r}, {texts[1]!r}; expected two numbers of four digits"
        problems.damaged(line, fact)
    return None


def _byte(fields: dict[str, str], tag: str, line: int, problems: LineFindings) -> int | None:
    text = fields.get(tag)
    if text is None:
        return 0  # a revision or interface of zero is left out
    if re.fullmatch(r"[0-9a-fA-F]{2}", text):
        return int(text, 16)
    problems.damaged(line, f"{tag} is {text[:20]!r}; expected two hexadecimal digits")
    return None


def _name(text: str) -> str:
    match = _NUMBER.fullmatch(text.strip())
    return (match[1] or "").strip() if match else ""
