"""Texts of older forms: TXTSETUP.OEM for text-mode setup, file lists of OEMSETUP.INF.

Sources: Windows Driver Kit, "TxtSetup.oem File Format"; Windows 3.1 SDK, OEMSETUP.INF.
"""

from __future__ import annotations

import re
from typing import NamedTuple

from mediashelf.formats.inf.document import Inf
from mediashelf.formats.inf.source_files import join_path

_SECTION = re.compile(r"\[([^\]]+)\]")
_VALUE = re.compile(r'"([^"]*)"|([^,\s"][^,"]*)')
_DISK_FILE = re.compile(r"(\w{1,8}):([\w$~!#%&'()@^`{}.-]{1,12})")


class SetupDisk(NamedTuple):
    """One disk: its tag file and folder, both from the root, parts joined by ``/``."""

    tag: str
    folder: str


class TextSetup(NamedTuple):
    """What a TXTSETUP.OEM offers: names of drivers, paths of files from the root, device ids."""

    names: tuple[str, ...]
    files: tuple[str, ...]
    tags: tuple[str, ...]
    hardware_ids: tuple[str, ...]


def parse_text_setup(text: str) -> TextSetup | None:
    """Return what the text says, None where it has not the sections of its kind."""
    sections: dict[str, list[tuple[str, list[str]]]] = {}
    entries: list[tuple[str, list[str]]] = []
    for line in text.splitlines():
        stripped = line.strip()
        if not stripped or stripped[0] in "#;":
            continue
        heading = _SECTION.match(stripped)
        if heading is not None:
            entries = sections.setdefault(heading[1].strip().lower(), [])
            continue
        key, _, rest = stripped.partition("=")
        entries.append((key.strip(), _values(rest)))
    if "disks" not in sections:
        return None
    disks = {
        key.lower(): SetupDisk(*(join_path(part) for part in [*values, "", "", ""][1:3]))
        for key, values in sections["disks"]
    }
    names: dict[str, None] = {}
    files: dict[str, None] = {}
    identifiers: dict[str, None] = {}
    for section, listed in sections.items():
        kind, _, _ = section.partition(".")
        for key, values in listed:
            if kind == "files" and len(values) >= 2:
                disk = disks.get(values[0].lower(), SetupDisk("", ""))
                files[join_path(disk.folder, values[1])] = None
            elif kind == "hardwareids" and values:
                identifiers[values[0].upper()] = None
            elif f"files.{section}.{key}".lower() in sections and values:
                names[values[0]] = None
    tags = dict.fromkeys(disk.tag for disk in disks.values() if disk.tag)
    return TextSetup(tuple(names), tuple(files), tuple(tags), tuple(identifiers))


def _values(text: str) -> list[str]:
    """Return the values of a line; a remark begins at a # or ; outside quotes."""
    bare = re.sub(r'("[^"]*")|[#;].*', lambda match: match[1] or "", text)
    return [quoted or plain.strip() for quoted, plain in _VALUE.findall(bare)]


def disk_files(inf: Inf) -> tuple[str, ...]:
    """Return the files that an OEMSETUP.INF for Windows 3.1 names as ``disk:file``."""
    section = inf.section("disks")
    disks = {entry.key.lower() for entry in section.entries if entry.key} if section else set()
    found: dict[str, None] = {}
    for one in inf.sections.values():
        for entry in one.entries:
            for text in (entry.key, *entry.values):
                for disk, name in _DISK_FILE.findall(text):
                    if disk.lower() in disks:
                        found[name] = None
    return tuple(found)
