"""What a plan says of the machine and its parts.

::

    [machine]
    name = "Kiosk PC, 1999"
    memory = "64MB"
    usb_boot = true                  # the emulator is a USB drive: does the firmware start it?
    settings = ["Boot order: USB first"]

    [[machine.part]]                 # of several machines each is a [[machine]] with a name
    what = "Quillon Audio 16"
    where = "second ISA slot"
    jumpers = "IRQ 5, DMA 1"
    device = "f3d7:1600"             # as the list of devices has it
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

from msgspec import Struct
from msgspec.structs import replace

from mediashelf.errors import SessionPlanError
from mediashelf.tables.table import Table
from mediashelf.text import did_you_mean, size_text

DISK_MODES = ("ide", "ahci", "raid")
FIRMWARES = ("bios", "uefi")

_MACHINE_KEYS = (
    "name", "memory", "disk", "disk_mode", "firmware", "usb_boot", "processor",
    "processor_bits", "devices", "settings", "notes", "part",
)  # fmt: skip
_PART_KEYS = ("what", "where", "jumpers", "device")

LONGEST_NAME = 200
"""Characters of a machine's name; nobody could tell two longer ones apart."""

# The forms in which keys are printed, from memory: five groups of five, and two older
# ones of digits.
_PRODUCT_KEY = re.compile(
    r"(?<![A-Z0-9-])(?:(?:[A-Z0-9]{5}-){4}[A-Z0-9]{5}"
    r"|\d{3}-\d{7}|\d{5}-OEM-\d{7}-\d{5})(?![A-Z0-9-])",
    re.IGNORECASE,
)


class MachinePart(Struct, frozen=True):
    """A card or drive: what it is, where it is, how it is set, and its device's id."""

    what: str
    where: str = ""
    jumpers: str = ""
    device: str = ""

    @property
    def words(self) -> str:
        """All of it in one line."""
        said = (self.what, self.where, self.jumpers, self.device)
        return ", ".join(word for word in said if word)


class PlannedMachine(Struct, frozen=True):
    """The machine to be set up; sizes in bytes, nothing said is empty or None.

    ``memory`` is read in powers of 1024 whatever the unit looks like, as memory
    is sold; ``disk`` in powers of 1000 for ``GB``, as disks are. ``devices`` are
    lists of its devices, which add up. ``usb_boot`` tells whether the firmware
    starts from a USB drive, ``settings`` what to set in it.
    """

    name: str = ""
    memory: int | None = None
    disk: int | None = None
    disk_mode: str = ""
    firmware: str = ""
    usb_boot: bool | None = None
    processor: str = ""
    processor_bits: int | None = None
    devices: tuple[Path, ...] = ()
    settings: tuple[str, ...] = ()
    notes: str = ""
    parts: tuple[MachinePart, ...] = ()

    @property
    def memory_text(self) -> str:
        """The memory as it is sold: ``256 MiB``; empty where it is not said."""
        return size_text(self.memory).replace(".0 ", " ") if self.memory else ""

    @property
    def disk_text(self) -> str:
        """The disk's size as it is sold: ``40 GB``; empty where it is not said."""
        return f"{self.disk / 10**9:,.4g} GB" if self.disk else ""


def read_machines(top: Table, folder: Path) -> tuple[PlannedMachine, ...]:
    """Return what ``machine`` says: a name alone, a table, or several tables with names."""
    value = top.value("machine")
    if isinstance(value, str):
        refuse_as_name(value.strip())
        return (PlannedMachine(value.strip()),)
    if not isinstance(value, list):
        _refuse_optical_boot("[machine]", value)
        return (_machine(top.table("machine", _MACHINE_KEYS), folder),)
    for number, one in enumerate(value, start=1):
        _refuse_optical_boot(f"[machine] {number}", one)
    machines = tuple(_machine(one, folder) for one in top.tables("machine", _MACHINE_KEYS))
    names = [one.name.casefold() for one in machines]
    for number, name in enumerate(names, start=1):
        if not name or names.index(name) != number - 1:
            problem = "has the name of another one" if name else "has no name"
            raise SessionPlanError(
                f"[machine] {number} {problem}; each of several machines needs a name of its own"
            )
    return machines or (PlannedMachine(),)


def choose_machine(machines: Sequence[PlannedMachine], wanted: str) -> PlannedMachine:
    """Return the machine that a few words mean, letter case aside.

    Where the plan has only one, the words are its name this time: another of its kind.
    Raises :class:`SessionPlanError` when several are there and not one is meant.
    """
    wanted = " ".join(wanted.split())
    names = "; ".join(one.name for one in machines)
    if len(machines) == 1:
        refuse_as_name(wanted)
        return replace(machines[0], name=wanted) if wanted else machines[0]
    if not wanted:
        raise SessionPlanError(f"is for several machines; name one with --machine: {names}")
    whole = [one for one in machines if one.name.casefold() == wanted.casefold()]
    found = whole or [one for one in machines if wanted.casefold() in one.name.casefold()]
    if len(found) != 1:
        problem = "matches several of its machines" if found else "is not one of its machines"
        hint = "" if found else did_you_mean(wanted, [one.name for one in machines])
        raise SessionPlanError(f"{wanted!r} {problem}, which are: {names}{hint}")
    return found[0]


def refuse_as_name(name: str) -> None:
    """Raise :class:`SessionPlanError` for what should not be kept as a machine's name."""
    if len(name) > LONGEST_NAME:
        raise SessionPlanError(
            f"the machine's name has {len(name):,} characters, expected at most {LONGEST_NAME}"
        )
    refuse_product_keys(name, "the machine's name")


def _refuse_optical_boot(place: str, values: Any) -> None:
    if isinstance(values, dict) and "optical_boot" in values:
        raise SessionPlanError(
            f"{place}: optical_boot does not answer the question: the emulator is a USB drive; "
            "say usb_boot = true when the firmware starts from a USB CD-ROM drive, else false"
        )


def _machine(table: Table, folder: Path) -> PlannedMachine:
    name = table.text("name").strip()
    if len(name) > LONGEST_NAME:
        raise table.wrong("name", f"at most {LONGEST_NAME} characters")
    return PlannedMachine(
        name=name,
        memory=table.size("memory", binary=True),
        disk=table.size("disk"),
        disk_mode=table.choice("disk_mode", DISK_MODES),
        firmware=table.choice("firmware", FIRMWARES),
        usb_boot=table.flag("usb_boot"),
        processor=table.text("processor").strip(),
        processor_bits=_bits(table),
        devices=table.paths("devices", folder),
        settings=table.texts("settings", "settings to make in the firmware"),
        notes=table.text("notes").strip(),
        parts=tuple(_part(one) for one in table.tables("part", _PART_KEYS)),
    )


def product_key_in(text: str) -> str:
    """Return what looks like a product key in a text, or an empty text."""
    found = _PRODUCT_KEY.search(text)
    return found[0] if found else ""


def refuse_product_keys(values: Any, place: str = "") -> None:
    """Raise when a text of the plan looks like a product key."""
    for where, text in _texts(values, place):
        found = product_key_in(text)
        if found:
            raise SessionPlanError(
                f"{where} holds what looks like a product key ({found[:3]}…); plans, cards and "
                "sheets are copied and left on benches: say where the key is to be found instead, "
                'such as "sticker under the case"'
            )


def _texts(values: Any, place: str) -> Iterator[tuple[str, str]]:
    if isinstance(values, str):
        yield place, values
    elif isinstance(values, dict):
        for key, inside in values.items():
            yield from _texts(inside, f"{place}.{key}" if place else key)
    elif isinstance(values, list):
        for number, inside in enumerate(values, start=1):
            yield from _texts(inside, f"[{place}] {number}")


def _bits(table: Table) -> int | None:
    bits = table.number("processor_bits", 16, 64)
    if bits not in (None, 16, 32, 64):
        raise table.wrong("processor_bits", "16, 32 or 64")
    return bits


def _part(table: Table) -> MachinePart:
    return MachinePart(
        what=table.text("what", needed="it names the part").strip(),
        where=table.text("where").strip(),
        jumpers=table.text("jumpers").strip(),
        device=table.text("device").strip(),
    )
