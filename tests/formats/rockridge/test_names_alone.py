"""Which records are read by their name alone: those whose other entries fill the area."""

from __future__ import annotations

import pytest

from mediashelf.formats.rockridge.system_use import is_only_name

MODE = b"PX\x24\x01" + bytes(32)  # RRIP 4.1.1
NAME = b"NM\x0a\x01\x00setup"  # RRIP 4.1.4
HIDDEN = b"TF\x0e\x01\x00" + NAME[:9]  # dates whose bytes look like a name
LINK = b"CL\x0c\x01" + bytes(8)  # RRIP 4.1.5.1
MORE = b"CE\x1c\x01" + bytes(24)  # SUSP 5.1


@pytest.mark.parametrize(
    ("area", "at", "is_so"),
    [
        (MODE + NAME, len(MODE), True),
        (NAME + MODE + bytes(3), 0, True),  # padding
        (MODE + NAME, 0, False),
        (HIDDEN + NAME, HIDDEN.index(b"NM"), False),
        (HIDDEN + NAME, len(HIDDEN), True),
        (NAME + NAME, 0, False),
        (NAME + LINK, 0, False),
        (MORE + NAME, len(MORE), False),
        (NAME + b"RE\x04\x01", 0, False),
        (NAME + b"ST\x04\x01", 0, False),  # what follows it is no entry
        (MODE[:-1] + NAME, len(MODE) - 1, False),  # the first one ends inside the second
        (NAME + b"PX\x24\x01", 0, False),
        (b"", 0, False),
    ],
)
def test_a_name_alone(area: bytes, at: int, is_so: bool) -> None:
    assert is_only_name(area, at) is is_so
