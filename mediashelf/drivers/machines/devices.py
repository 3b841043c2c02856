"""A device of a machine, as a value: its identifiers in order and how people name it."""

from __future__ import annotations

from collections.abc import Iterable

from msgspec import Struct

from mediashelf.drivers.machines.bus_lists import bus_lists
from mediashelf.drivers.machines.classes import class_words
from mediashelf.drivers.machines.identifiers import (
    Identifier,
    Identifiers,
    PciFunction,
    parse_pci_identifier,
    pci_class,
    pci_identifiers,
    usb_class_identifiers,
    usb_identifiers,
)


class Device(Struct, frozen=True):
    """One device. ``line`` is where the machine's file names it, from 1.

    ``name`` is what that file calls it, or empty; ``slot`` is the place on the bus,
    or empty. ``function`` is set for PCI devices.
    """

    identifiers: Identifiers
    name: str = ""
    slot: str = ""
    function: PciFunction | None = None
    line: int = 0

    @property
    def hardware_ids(self) -> tuple[str, ...]:
        """The hardware ids in order."""
        return tuple(identifier.text for identifier in self.identifiers.hardware)

    @property
    def compatible_ids(self) -> tuple[str, ...]:
        """The compatible ids in order."""
        return tuple(identifier.text for identifier in self.identifiers.compatible)

    @property
    def class_code(self) -> int | None:
        """Base class and subclass of a PCI device, where known."""
        return self.function.class_code if self.function else None

    @property
    def main_id(self) -> str:
        """The identifier that names the chip: without subsystem and revision."""
        if self.function is not None:
            return f"PCI\\VEN_{self.function.vendor:04X}&DEV_{self.function.device:04X}"
        ids = self.hardware_ids or self.compatible_ids
        return ids[0] if ids else ""

    @property
    def title(self) -> str:
        """The name, or the kind of device, where it is known, with its identifier."""
        kind = f"{class_words(self.class_code)} " if self.class_code is not None else ""
        return self.name or f"{kind}{self.main_id}"


def pci_device(function: PciFunction, *, name: str = "", slot: str = "", line: int = 0) -> Device:
    """Return the device of a PCI function."""
    return Device(pci_identifiers(function), name, slot, function, line)


def device_from_ids(
    hardware: Iterable[str], compatible: Iterable[str] = (), *, name: str = "", line: int = 0
) -> Device:
    """Return the device that these identifiers describe together, in the order given.

    What several PCI identifiers tell of one function is put together, and the lists
    are completed as published. Identifiers that the published lists lack keep their
    order after the others.
    """
    given = [text.upper() for text in hardware]
    given_compatible = [text.upper() for text in compatible]
    function = _combined([*given, *given_compatible])
    if function is not None:
        full = pci_identifiers(function)
    elif (lists := _bus_lists(given, given_compatible)) is not None:
        # An identifier may be the instance's, whose form no INF has; the list has what it means.
        given = [text for text in given if text in lists[0] or bus_lists(text) is None]
        full = Identifiers(_positions(lists[0]), _positions(lists[1]))
    else:
        completed = list(dict.fromkeys(form for text in given for form in _completed(text)))
        kinds = (form for text in given_compatible for form in _completed(text))
        full = Identifiers(_positions(completed), _positions(dict.fromkeys(kinds)))
    listed = _with_others(full.hardware, given)
    known = {identifier.text for identifier in listed}
    kept = [text for text in given_compatible if text not in known]
    return Device(
        Identifiers(listed, _with_others(full.compatible, kept)),
        name=name,
        function=function,
        line=line,
    )


def _combined(texts: list[str]) -> PciFunction | None:
    known = [function for text in texts if (function := parse_pci_identifier(text)) is not None]
    if not known:
        return None
    combined = known[0]
    for other in known[1:]:
        if (other.vendor, other.device) == (combined.vendor, combined.device):
            combined = merge(combined, other)
    if combined.prog_if is None:
        # The class stands in compatible ids too, which name no function.
        for text in texts:
            found = pci_class(text)
            if found is not None and combined.class_code in (None, found[0]):
                combined = combined._replace(class_code=found[0])
                if found[1] is not None:
                    combined = combined._replace(prog_if=found[1])
    return combined


def merge(one: PciFunction, other: PciFunction) -> PciFunction:
    """Return what two identifiers of one function tell together; the first goes before."""
    known = {name: value for name, value in one._asdict().items() if value is not None}
    return other._replace(**known)


def agree(one: PciFunction, other: PciFunction) -> bool:
    """Whether two descriptions may be of one function: no part differs."""
    return all(a is None or b is None or a == b for a, b in zip(one, other, strict=True))


def _bus_lists(
    given: list[str], compatible: list[str]
) -> tuple[tuple[str, ...], tuple[str, ...]] | None:
    """Return the full lists of the bus, told from the first identifier; None where it has none.

    A device of which a list has several identifiers has no others of that form: what an
    ACPI or ISAPNP device reports is then known, and nothing is added.
    """
    texts = given or compatible
    lists = bus_lists(texts[0]) if texts else None
    if lists is None:
        return None
    is_short = len(lists[0]) == 2 and lists[0][1].startswith("*")
    return None if is_short and len(given) + len(compatible) > 1 else lists


def _completed(text: str) -> tuple[str, ...]:
    return usb_identifiers(text) or usb_class_identifiers(text) or (text,)


def _positions(texts: Iterable[str]) -> tuple[Identifier, ...]:
    return tuple(Identifier(text, position) for position, text in enumerate(texts))


def _with_others(full: tuple[Identifier, ...], given: list[str]) -> tuple[Identifier, ...]:
    known = {identifier.text for identifier in full}
    others = [text for text in dict.fromkeys(given) if text not in known]
    start = max((identifier.position for identifier in full), default=-1) + 1
    return (*full, *(Identifier(text, start + index) for index, text in enumerate(others)))


def pick_device(devices: Iterable[Device], text: str) -> list[int]:
    """Return the indexes of the devices that ``text`` names.

    It may be the device's number in the list (from 1), its slot, one of its
    identifiers, or a part of its name; the first of these that fits anything decides.
    """
    listed = list(devices)
    wanted = text.strip().upper()
    if wanted.isdecimal() and 1 <= int(wanted[:9]) <= len(listed):
        return [int(wanted) - 1]
    by_slot = [index for index, device in enumerate(listed) if device.slot.upper() == wanted]
    by_id = [
        index
        for index, device in enumerate(listed)
        if wanted in device.hardware_ids or wanted in device.compatible_ids
    ]
    by_name = [index for index, device in enumerate(listed) if wanted in device.title.upper()]
    return (by_slot if wanted else []) or by_id or (by_name if wanted else [])
