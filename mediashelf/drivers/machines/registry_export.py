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

_STARTS = ("REGEDIT4", "WINDOWS REGISTRY EDITOR VERSION 5")
_MOST_ABOVE = 1000
"""Characters among which the first line is looked for."""
_KEY = re.compile(r"\[([^\]]*(?:\\Enum|^Enum)\\[^\]]*)\]\s*", re.IGNORECASE)
_VALUE = re.compile(r'"((?:[^"\\]|\\.)*)"=(.*)', re.DOTALL)
_BYTES = re.compile(r"hex\([0-9a-f]+\):([0-9a-f,\s]*)", re.IGNORECASE)
_SOFTWARE = ("ROOT\\LEGACY_", "SW\\", "STORAGE\\", "HTREE\\", "SWD\\")


class _Key(Struct):
    path: str
    line: int
    values: dict[str, str] = field(default_factory=dict)

    def texts(self, name: str, *, is_wide: bool) -> list[str]:
        """Return a list value: one of bytes, or one text with commas."""
        value = self.values.get(name, "")
        match = _BYTES.fullmatch(value)
        if match is not None:
            data = bytes.fromhex("".join(match[1].replace(",", " ").split()))
            text = data.decode("utf-16-le" if is_wide else "cp1252", "replace")
            *texts, rest = text.split("\0")
            if rest:
                raise ValueError("a list of texts ends in a zero")  # it is cut off
            return [one for one in texts if one]
        return [one.strip() for one in _unquoted(value).split(",") if one.strip()]

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


def read_registry_export(text: str) -> tuple[list[Device], list[tuple[int, str]]]:
    """Return the devices, and the lines (with their numbers) that could not be read.

    Devices that are only software are left out: they have no driver package.
    """
    is_wide = _first_line(text) != "REGEDIT4"
    devices: list[Device] = []
    unread: list[tuple[int, str]] = []
    key: _Key | None = None
    for number, line in _joined_lines(text):
        stripped = line.strip()
        if not stripped or stripped[0] in ";@" or stripped.upper().startswith(_STARTS):
            continue
        if stripped.startswith("["):
            _finish(key, devices, unread, is_wide=is_wide)
            match = _KEY.fullmatch(stripped)
            path = re.split(r"(?:^|\\)Enum\\", match[1], flags=re.IGNORECASE)[-1] if match else ""
            key = _Key(path, number) if path else None
            continue
        match = _VALUE.fullmatch(stripped)
        if match is None:
            unread.append((number, stripped))
        elif key is not None:
            key.values.setdefault(match[1].lower(), match[2].strip())
    _finish(key, devices, unread, is_wide=is_wide)
    return devices, unread


def _finish(
    key: _Key | None, devices: list[Device], unread: list[tuple[int, str]], *, is_wide: bool
) -> None:
    if key is None or key.path.upper().startswith(_SOFTWARE):
        return
    try:
        hardware = key.texts("hardwareid", is_wide=is_wide)
        compatible = key.texts("compatibleids", is_wide=is_wide)
    except ValueError:
        unread.append((key.line, key.path))
        return
    if hardware or compatible:
        devices.append(device_from_ids(hardware, compatible, name=key.name, line=key.line))


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
