"""Is the setup program of a disc for 64-bit processors only?

The machine in the header of a PE program says for which processor it is; the layout and
the number 0x8664 are from memory, and so is the folder of 64-bit discs of the nt5 family,
whose text-mode setup has no such program.
"""

from __future__ import annotations

import struct
from contextlib import suppress

from mediashelf.errors import FormatError, InputError
from mediashelf.formats.packed.programs import MZ_SIZE, parse_mz_header
from mediashelf.image import DiscImage

_PLACES = ("/SETUP.EXE", "/SOURCES/SETUP.EXE")
_TEXT_MODE = "/AMD64/TXTSETUP.SIF"
_MACHINE_X64 = 0x8664
_PE = struct.Struct("<4sH")  # signature, machine
_LONGEST = 64 << 10  # bytes before the PE header


def needs_64_bit(image: DiscImage) -> bool:
    """Return whether the disc's setup, or the first setup program that is there, is 64-bit."""
    entries = {
        entry.path.upper(): entry
        for volume in image.facts.volumes
        for entry in volume.entries
        if not entry.is_directory
    }
    if _TEXT_MODE in entries:
        return True
    for place in _PLACES:
        if place in entries:
            with suppress(FormatError, InputError):
                return machine_of(image.read_file(entries[place], _LONGEST)) == _MACHINE_X64
    return False


def machine_of(data: bytes) -> int | None:
    """Return the machine of a PE program from its first bytes, None for other programs."""
    start = parse_mz_header(data[:MZ_SIZE]).new_offset
    head = data[start : start + _PE.size] if start else b""
    if len(head) < _PE.size:
        return None
    signature, machine = _PE.unpack(head)
    return int(machine) if signature == b"PE\0\0" else None
