"""What follows a device's line in the text of ``lspci``: details of ``-v``, registers of ``-x``.

Where what is in the registers: the PCI configuration header, as ``lspci -x`` prints it
beside what ``lspci -n`` says (run).
"""

from __future__ import annotations

import re

from mediashelf.drivers.machines import lspci
from mediashelf.drivers.machines.devices import Device, merge, pci_device
from mediashelf.drivers.machines.identifiers import PciFunction
from mediashelf.drivers.machines.line_findings import LineFindings

_ROW = re.compile(r"([0-9a-f]{2,3}): ((?:[0-9a-f]{2} ){0,15}[0-9a-f]{2}) ?", re.IGNORECASE)
_ROW_SIZE = 16
_DETAIL = re.compile(  # words of lspci.c
    r"[ \t]+(?:DeviceName: |Subsystem: |Control: |Flags: |Memory at |I/O ports at |Region [0-5]: "
    r"|Expansion ROM at |Capabilities: |Kernel driver in use: |Kernel modules: )"
)


def parse_dump_row(line: str) -> tuple[int, bytes] | None:
    """Return the offset and the bytes of a row, None for other lines."""
    match = _ROW.fullmatch(line.strip())
    return (int(match[1], 16), bytes.fromhex(match[2])) if match else None


def goes_on(line: str) -> bool:
    """Tell whether a line can only be about the device before it: one of ``-v``, or of ``-x``."""
    return _DETAIL.match(line) is not None or parse_dump_row(line) is not None


class OpenPciDevice:
    """A device of which more lines may tell. Without its numbers it has no ``function``."""

    def __init__(self, device: Device, problems: LineFindings) -> None:
        self.device = device
        self._has_numbers = device.function is not None
        self._problems = problems
        self._rows: dict[int, bytes] = {}

    def add(self, line: str, number: int) -> None:
        """Take an indented line of ``-v``: only the subsystem matters here."""
        function, subsystem = self.device.function, lspci.parse_subsystem_line(line)
        if function is not None and subsystem is not None:
            self._tell(function._replace(subsystem=subsystem))
        elif self._has_numbers and line.strip().startswith("Subsystem"):
            found = line.strip()[:60]
            self._problems.damaged(number, f"{found}; expected a subsystem as [vvvv:dddd]")
        elif line.strip().startswith("(rev"):
            self._problems.damaged(number, "the revision is here; expected at the device's line")

    def add_row(self, number: int, offset: int, row: bytes) -> None:
        """Take a row of registers; only whole ones count."""
        if offset > 0x20:
            return
        if len(row) != _ROW_SIZE:
            fact = f"the row of registers has {len(row):,} bytes; expected {_ROW_SIZE}"
            self._problems.damaged(number, fact)
            return
        self._rows.setdefault(offset, row)
        function, known = self._function(), self.device.function
        if function is not None and known is not None and function[:2] != known[:2]:
            self._problems.damaged(
                number,
                f"the registers say {function.vendor:04x}:{function.device:04x}; expected "
                f"{known.vendor:04x}:{known.device:04x}, as the device's line says",
            )
            self._rows.clear()
        elif function is not None:
            self._tell(merge(function, known) if known is not None else function)

    def _tell(self, function: PciFunction) -> None:
        old = self.device
        self.device = pci_device(function, name=old.name, slot=old.slot, line=old.line)

    def _function(self) -> PciFunction | None:
        """Return what the registers tell so far, None without the first row."""
        row = self._rows.get(0)
        if row is None:
            return None
        subsystem = None
        if row[0x0E] & 0x7F == 0 and 0x20 in self._rows:  # bridges have it elsewhere
            board = self._rows[0x20]
            subsystem = (_word(board, 0x0C), _word(board, 0x0E))
        return PciFunction(
            _word(row, 0),
            _word(row, 2),
            subsystem,
            revision=row[8],
            class_code=_word(row, 0x0A),
            prog_if=row[9],
        )


def _word(row: bytes, at: int) -> int:
    return int.from_bytes(row[at : at + 2], "little")
