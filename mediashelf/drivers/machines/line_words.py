"""What a line of a device list has: identifiers, and words that say what they are.

English words are those of the published examples; how others are told is common practice.
"""

from __future__ import annotations

import re

from mediashelf.drivers.machines.identifiers import ENUMERATORS, is_well_formed

_WORD = re.compile(r"(?:\*|\b[A-Z0-9]+\\)(?:\{[^\s\"',;\\{}]*\}|[^\s\"',;\\{}])+", re.IGNORECASE)
_OTHER_BUS = re.compile(r"(?!HKEY_)[A-Z][A-Z0-9_]+\\[!-\[\]-~]+(?:\\[!-~]+)?", re.IGNORECASE)
_ENGLISH = re.compile(r"(hardware|compatible)[ _-]?ids?\b", re.IGNORECASE)
_ENGLISH_PLACE = re.compile(r"(?:(?:pnp)?device|instance)[ _-]?(?:id|path)\b", re.IGNORECASE)
_KEY = re.compile(r"([^\\*:={}&]{1,40})[:=]")
_OTHER = re.compile(
    r"[- ]ids?$|^ids?\.? (?:de |d['’])?(?:hardware|mat|compat|inst|disp|p[ée]riph)|identifi"
)
_CLOSING = ").]>"
"""What may follow an identifier, and does not belong to one whose form is published."""
_NAME_KEYS = ("name", "caption", "friendlyname")
_DESCRIPTION = re.compile(r"(?:device |driver )?descri|(?:geräte)?beschreibung")

HARDWARE, COMPATIBLE, PLACE = "hardware", "compatible", "place"


def find_identifiers(line: str) -> list[str]:
    """Return the identifiers in a line: of known buses, or one of any bus that stands alone."""
    words = [match[0] for match in _WORD.finditer(line) if _is_identifier(match[0])]
    words = [word if is_well_formed(word) else word.rstrip(_CLOSING) for word in words]
    if words or not _OTHER_BUS.fullmatch(line.strip()):
        return words
    bus, device, *_ = line.strip().split("\\")
    return [f"{bus}\\{device}"]


def _is_identifier(word: str) -> bool:
    if word.startswith("*"):
        return len(word) >= 8 and word[1:4].isalpha()
    return word.partition("\\")[0].upper() in ENUMERATORS


def find_label(line: str) -> str:
    """Return what kind of identifiers a line says that it has, empty where it says nothing.

    :data:`PLACE` is the identifier of one instance, whose parts before the last also
    name the device.
    """
    line = line.strip()
    match = _ENGLISH.match(line)
    if match is not None:
        return match[1].lower()
    if _ENGLISH_PLACE.match(line):
        return PLACE
    match = _KEY.match(line)
    key = match[1].strip().lower() if match else ""
    if not _OTHER.search(key):
        return ""
    if "ompat" in key:
        return COMPATIBLE
    return HARDWARE if "hardware" in key or "mat" in key else PLACE


def is_name_key(key: str) -> bool:
    """Whether the value of a ``key: value`` line is the device's name."""
    key = key.lower()
    return key in _NAME_KEYS or bool(_DESCRIPTION.match(key))


def last_column(text: str) -> str:
    """Return the last of the columns that blanks or tabs part."""
    return re.split(r"\s{2,}|\t", text.strip())[-1]


def indent_of(line: str) -> int:
    """Return how far a line is indented."""
    expanded = line.expandtabs()
    return len(expanded) - len(expanded.lstrip())
