r"""Exports of the registry's Enum keys (``.reg`` files) → devices.

Both forms: ``Windows Registry Editor Version 5.00`` and ``REGEDIT4`` (the file formats
are from memory, as is where 9x systems keep the keys). Values that matter: HardwareID
and CompatibleIDs, as lists (``hex(7):``) or, on 9x systems, as text with commas;
DeviceDesc and FriendlyName for the name.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

from msgspec import Struct, field

from mediashelf.drivers.machines.devices import Device, device_from_ids
from mediashelf.drivers.machines.identifiers import parse_pci_identifier, usb_identifiers
from mediashelf.drivers.machines.line_findings import LineFindings

_STARTS = ("REGEDIT4", "WINDOWS REGISTRY EDITOR VERSION 5")
_MOST_ABOVE = 1000
"""Characters among which the first line is looked for."""
_KEY = re.compile(r"\[([^\]]*(?:\\Enum|^Enum)\\[^\]]*)\]\s*", re.IGNORECASE)
_VALUE = re.compile(r'"((?:[^"\\]|\\.)*)"=(.*)', re.DOTALL)
_IS_KEY = re.compile(r"\[[^\[\]]+\]")
_BYTES = re.compile(r"hex\([0-9a-f]+\):((?:[0-9a-f]{2}(?:,\s*|$))*)", re.IGNORECASE)
_TEXT = re.compile(r'"((?:[^"\\]|\\.)*)"')
_SOFTWARE = ("ROOT\\LEGACY_", "SW\\", "STORAGE\\", "HTREE\\", "SWD\\", "NETWORK\\")
_GENERIC = re.compile(r"[\w:.-]{3,199}", re.ASCII)
"""A kind of device without the name of a bus, as GenDisk or HID_DEVICE (Hardware IDs)."""


class _Key(Struct):
    path: str
    line: int
    values: dict[str, str] = field(default_factory=dict)

    def texts(self, name: str, *, is_wide: bool) -> list[str]:
        """Return a list value: one of bytes, or one text with commas.

        Raises ``ValueError``, with what was found and expected, where it is damaged.
        """
        if name not in self.values:
            return []
        value = self.values[name]
        match = _BYTES.fullmatch(value)
        if match is None and _TEXT.fullmatch(value) is None:
            raise ValueError(f"is {value[:30]}…; expected a text in quotes, or bytes of two digits")
        if match is None:
            return [one.strip() for one in _unquoted(value).split(",") if one.strip()]
        data = bytes.fromhex("".join(match[1].replace(",", " ").split()))
        text = data.decode("utf-16-le" if is_wide else "cp1252", "replace")
        *texts, rest = text.split("\0")
        if rest:
            raise ValueError(f"ends in {rest[-20:]!r}; expected a zero at its end")
        strange = next((one for one in texts if not (one.isascii() and one.isprintable())), "")
        if strange:
            raise ValueError(f"has {strange[:40]!r}; expected an identifier in ASCII")
        return [one for one in texts if one]

    @property
    def name(self) -> str:
        described = self.values.get("friendlyname") or self.values.get("devicedesc", "")
        # Since 6.0 the text is "@file.inf,%token%;what it means".
        return _unquoted(described).rpartition(";")[2].strip()


def is_registry_export(text: str) -> bool:
    """Whether a text begins as an export of the registry does, perhaps below a few other lines."""
    return bool(_first_line(text))


def _first_line(text: str) -> str:
    lines = (line.strip().upper() for line in text[:_MOST_ABOVE].splitlines())
    return next((line for line in lines if line.startswith(_STARTS)), "")


def read_registry_export(text: str, problems: LineFindings) -> list[Device]:
    """Return the devices; lines that could not be read are told to ``problems``.

    Devices that are only software are left out: they have no driver package.
    """
    is_wide = _first_line(text) != "REGEDIT4"
    devices: list[Device] = []
    paths: set[str] = set()  # an export of a system has its devices in several control sets
    key: _Key | None = None

    def finish() -> None:
        if key is None or key.path.upper() in paths:
            return
        device = _finished(key, problems, is_wide=is_wide)
        if device is not None:
            devices.append(device)
            paths.add(key.path.upper())

    for number, line in _joined_lines(text):
        stripped = line.strip()
        if not stripped or stripped[0] in ";@" or stripped.upper().startswith(_STARTS):
            continue
        value = _VALUE.fullmatch(stripped)
        if _IS_KEY.fullmatch(stripped):
            finish()
            match = _KEY.fullmatch(stripped)
            path = re.split(r"(?:^|\\)Enum\\", match[1], flags=re.IGNORECASE)[-1] if match else ""
            key = _Key(path, number) if path else None
        elif value is None:
            problems.not_understood(number, stripped)
        elif key is not None:
            key.values.setdefault(value[1].lower(), value[2].strip())
    finish()
    return devices


def _finished(key: _Key, problems: LineFindings, *, is_wide: bool) -> Device | None:
    """Return the device of a key, None where it has none."""
    if key.path.upper().startswith(_SOFTWARE):
        return None
    lists = []
    for name in ("HardwareID", "CompatibleIDs"):
        try:
            words = key.texts(name.lower(), is_wide=is_wide)
        except ValueError as error:
            problems.damaged(key.line, f"{name} of {key.path[:60]} {error}")
            words = []
        of_buses = [one for one in words if not _GENERIC.fullmatch(one)]
        malformed = {*of_buses}.difference(problems.well_formed(key.line, of_buses))
        lists.append([one for one in words if one not in malformed])
    alone = "CompatibleIDs alone" if any(lists) else "no identifiers"
    own = key.path.upper().rpartition("\\")[0]
    if key.name and not any(lists) and (parse_pci_identifier(own) or usb_identifiers(own)):
        # The path of a device begins with what it is (Device Identification Strings).
        lists[0] = [own]
    if not any(lists):
        return None
    if "hardwareid" not in key.values and not key.path.upper().startswith("ROOT\\"):
        problems.damaged(key.line, f"{key.path[:60]} has {alone}; expected HardwareID as well")
    return device_from_ids(lists[0], lists[1], name=key.name, line=key.line)


def _joined_lines(text: str) -> Iterator[tuple[int, str]]:
    """Yield lines with their numbers; one that ends in a backslash goes on with the next."""
    parts: list[str] = []
    start = 0
    for number, line in enumerate(text.split("\n"), 1):
        if not parts:
            start = number
        if line.rstrip().endswith("\\") and "hex" in (parts[0] if parts else line):
            parts.append(line.rstrip()[:-1].strip())
            continue
        yield start, "".join([*parts, line.strip() if parts else line])
        parts = []
    if parts:
        yield start, "".join(parts)


def _unquoted(value: str) -> str:
    inner = value[1:-1] if value[:1] == '"' and value[-1:] == '"' else value
    return re.sub(r"\\(.)", r"\1", inner)
