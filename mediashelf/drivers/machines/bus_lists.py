r"""What buses other than PCI and USB report for a device of which one identifier is known.

The lists are those of the published driver documentation: Identifiers for SCSI Devices,
for IDE Devices, for USBSTOR Devices, HD Audio Codec Device Identification Strings,
Device Management Namespace Objects (ACPI). From memory: the shorter forms of HDAUDIO,
that monitors are ``*PNP09FF``, and the form of SCSI in a device's instance path.
That the ACPI bus reports ``ACPI\PNP0501`` and then ``*PNP0501`` is what the DevCon
examples there show; from memory that an older system shows ``BIOS\*PNP0501`` for a
device with the id ``*PNP0501``, and that EISA cards have that form too. Identifiers for HID:
those of the page that tell the device. Buses that are not here report what cannot be told
from one identifier (ISAPNP, PCMCIA).
"""

from __future__ import annotations

import re
from collections.abc import Iterable

Parts = tuple[str | None, ...]

_ACPI_SHORT = re.compile(r"(?:ACPI\\|\*)([A-Z]{3,4}[0-9A-F]{4})")
_STARRED = re.compile(r"(?:BIOS|EISA|ISAPNP)\\(\*[A-Z]{3,4}[0-9A-F]{4})")
_EISA = re.compile(r"EISA\\([A-Z]{3}[0-9A-F]{4})")
_HID = re.compile(
    r"(HID\\VID_[0-9A-F]{4}&PID_[0-9A-F]{4})&REV_[0-9A-F]{4}((?:&MI_[0-9A-F]{2})?(?:&COL[0-9A-F]{2})?)"
)
_ACPI_LONG = re.compile(
    r"ACPI\\VEN_([A-Z]{3,4})&DEV_([0-9A-F]{4})(?:&SUBSYS_([0-9A-Z]{1,16}))?(?:&REV_([0-9A-F]{4}))?"
)
_HDAUDIO = re.compile(
    r"HDAUDIO\\FUNC_([0-9A-F]{2})(?:&CTRL_VEN_([0-9A-F]{4})&CTRL_DEV_([0-9A-F]{4}))?"
    r"&VEN_([0-9A-F]{4})&DEV_([0-9A-F]{4})(?:&SUBSYS_([0-9A-F]{8}))?(?:&REV_([0-9A-F]{4}))?"
)
_MONITOR = re.compile(r"(?:MONITOR|DISPLAY)\\([A-Z]{3}[0-9A-F]{4}|DEFAULT_MONITOR)")

_GENERIC_NAMES = {
    "DISK": "GENDISK",
    "CDROM": "GENCDROM",
    "PRINTER": "GENPRINTER",
    "WORM": "GENWORM",
    "SCANNER": "GENSCANNER",
    "OPTICAL": "GENOPTICAL",
    "CHANGER": "SCSICHANGER",
    "NET": "SCSINET",
    "SEQUENTIAL": "",
    "PROCESSOR": "",
    "OTHER": "",
    "SFLOPPY": "GENSFLOPPY",
}
_KIND = "|".join(_GENERIC_NAMES)
_STORAGE_PATH = re.compile(
    rf"(SCSI|USBSTOR)\\({_KIND})&VEN_([^&]{{0,8}})(?:&PROD_([^&]{{0,16}}))?(?:&REV_([^&]{{0,4}}))?"
)
_STORAGE = re.compile(rf"(SCSI|USBSTOR)\\({_KIND})(.{{8}})(.{{16}})(.{{4}})?")
_IDE = re.compile(rf"IDE\\({_KIND})(.{{40}})(.{{8}})")


def bus_lists(text: str) -> tuple[tuple[str, ...], tuple[str, ...]] | None:
    """Return the hardware and compatible ids that one identifier (upper case) stands for.

    None where the bus or the form is not one of these.
    """
    for pattern, make in (
        (_ACPI_LONG, _acpi_long),
        (_HDAUDIO, _hdaudio),
        (_MONITOR, _monitor),
        (_STORAGE_PATH, _storage_path),
        (_STORAGE, _storage),
        (_IDE, _ide),
        (_ACPI_SHORT, _acpi_short),
        (_STARRED, lambda match: ([match[0], match[1]], [])),
        (_EISA, lambda match: ([match[0], f"*{match[1]}"], [])),
        (_HID, lambda match: ([match[0], match[1] + match[2]], [])),
    ):
        match = pattern.fullmatch(text)
        if match is not None:
            hardware, compatible = make(match)
            return tuple(dict.fromkeys(hardware)), tuple(dict.fromkeys(compatible))
    return None


Lists = tuple[list[str], list[str]]


def _acpi_short(match: re.Match[str]) -> Lists:
    return [f"ACPI\\{match[1]}", f"*{match[1]}"], []


def _acpi_long(match: re.Match[str]) -> Lists:
    vendor, device, subsystem, revision = match.groups()
    chip = f"VEN_{vendor}&DEV_{device}"
    board = f"SUBSYS_{subsystem}" if subsystem else None
    level = f"REV_{revision}" if revision else None
    rows = ((chip, board, level), (chip, board), (chip, level), (chip,))
    short = f"{vendor}{device}"
    return [*_joined("ACPI\\", rows), f"ACPI\\{short}", f"*{short}"], []


def _hdaudio(match: re.Match[str]) -> Lists:
    function, maker, controller, vendor, device, subsystem, revision = match.groups()
    start = f"FUNC_{function}"
    bridge = f"CTRL_VEN_{maker}&CTRL_DEV_{controller}" if maker else None
    chip = f"VEN_{vendor}&DEV_{device}"
    board = f"SUBSYS_{subsystem}" if subsystem else None
    level = f"REV_{revision}" if revision else None
    hardware = _joined("HDAUDIO\\", ((start, chip, board, level), (start, chip, board)))
    compatible = _joined(
        "HDAUDIO\\",
        (
            (start, bridge, chip, board, level),
            (start, bridge, chip, board),
            (start, bridge, chip, level),
            (start, bridge, chip),
            (start, chip, level),
            (start, chip),
            (start, f"VEN_{vendor}"),
            (start,),
        ),
    )
    return hardware, compatible


def _monitor(match: re.Match[str]) -> Lists:
    # DISPLAY\… is where a list shows the monitor; its hardware id is MONITOR\….
    return [f"MONITOR\\{match[1]}"], ["*PNP09FF"]


def _storage_path(match: re.Match[str]) -> Lists:
    bus, kind, vendor, product, revision = match.groups()
    level = revision.ljust(4, "_") if revision is not None else None
    return _storage_lists(bus, kind, vendor.ljust(8, "_"), (product or "").ljust(16, "_"), level)


def _storage(match: re.Match[str]) -> Lists:
    return _storage_lists(*match.groups())


def _storage_lists(bus: str, kind: str, vendor: str, product: str, revision: str | None) -> Lists:
    start, name = f"{bus}\\", vendor + product
    hardware = [f"{start}{kind}{name}", f"{start}{kind}{vendor}"]
    if revision is not None:
        hardware.insert(0, f"{start}{kind}{name}{revision}")
        hardware += [f"{start}{name}{revision[0]}", f"{name}{revision[0]}"]
    generic = _GENERIC_NAMES[kind]
    if bus == "USBSTOR":
        hardware += [f"{start}{generic}", generic] if generic else []
        return hardware, [f"{start}{kind}", f"{start}RAW"]
    return hardware, [generic] if generic else []


def _ide(match: re.Match[str]) -> Lists:
    kind, name, revision = match.groups()
    generic = _GENERIC_NAMES[kind]
    hardware = [
        f"IDE\\{kind}{name}{revision}",
        f"IDE\\{name}{revision}",
        f"IDE\\{kind}{name}",
        f"{name}{revision}",
    ]
    return hardware, [generic] if generic else []


def _joined(start: str, rows: Iterable[Parts]) -> list[str]:
    """Return the rows that have all their parts."""
    return [start + "&".join(part for part in parts if part) for parts in rows if None not in parts]
