"""The volume descriptors of a disc, as bytes (ECMA-119 8.4 and 8.5, Joliet, El Torito 1.0)."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import NamedTuple

from mediashelf.building.naming.directory import PlannedDirectory
from mediashelf.building.planning.disc_plan import DiscPlan
from mediashelf.building.planning.planned_facts import APPLICATION
from mediashelf.building.sources.clock import descriptor_date
from mediashelf.building.writing.directories import (
    ROOT_IDENTIFIER,
    directory_record,
    path_table_size,
)
from mediashelf.building.writing.fields import both_16, both_32, narrow_text, wide_text
from mediashelf.formats.volume import SECTOR_SIZE

_NOT_GIVEN = b"0" * 16 + b"\0"  # a date that is not specified (ECMA-119 8.4.26.1)

TERMINATOR = b"\xffCD001\x01".ljust(SECTOR_SIZE, b"\0")
"""The volume descriptor set terminator (ECMA-119 8.3)."""


class _Kind(NamedTuple):
    """In what the descriptors of the two trees differ."""

    type: int
    escape_sequences: bytes
    text: Callable[[str, int], bytes]


_PRIMARY = _Kind(1, b"", narrow_text)
_JOLIET = _Kind(2, b"%/E", wide_text)  # UCS-2 level 3 (Joliet, SVD Escape Sequences Field)


def primary_descriptor(plan: DiscPlan, type_l: int, type_m: int) -> bytes:
    """Return the primary volume descriptor; the numbers are the sectors of its path tables."""
    return _descriptor(_PRIMARY, plan, plan.label.short, plan.layout.iso, type_l, type_m)


def joliet_descriptor(plan: DiscPlan, type_l: int, type_m: int) -> bytes:
    """Return the supplementary volume descriptor of the Joliet tree."""
    return _descriptor(_JOLIET, plan, plan.label.long, plan.layout.joliet, type_l, type_m)


def _descriptor(
    kind: _Kind,
    plan: DiscPlan,
    label: str,
    directories: Sequence[PlannedDirectory],
    type_l: int,
    type_m: int,
) -> bytes:
    text = kind.text
    made = descriptor_date(plan.made)
    fields = (
        bytes([kind.type]),  # 8.4.1, 8.5.1: volume descriptor type
        b"CD001",  # 8.4.2: standard identifier
        b"\1",  # 8.4.3: volume descriptor version
        b"\0",  # 8.4.4: unused; 8.5.3: volume flags (Joliet, SVD Volume Flags Field: zero)
        text("", 32),  # 8.4.5: system identifier
        text(label, 32),  # 8.4.6: volume identifier
        bytes(8),  # 8.4.7: unused
        both_32(plan.layout.sectors),  # 8.4.8: volume space size
        kind.escape_sequences.ljust(32, b"\0"),  # 8.4.9: unused; 8.5.6: escape sequences
        both_16(1),  # 8.4.10: volume set size
        both_16(1),  # 8.4.11: volume sequence number
        both_16(SECTOR_SIZE),  # 8.4.12: logical block size
        both_32(path_table_size(directories)),  # 8.4.13: path table size
        type_l.to_bytes(4, "little"),  # 8.4.14: type L path table
        bytes(4),  # 8.4.15: no optional type L path table
        type_m.to_bytes(4, "big"),  # 8.4.16: type M path table
        bytes(4),  # 8.4.17: no optional type M path table
        directory_record(ROOT_IDENTIFIER, directories[0]),  # 8.4.18: root directory record
        text("", 128),  # 8.4.19: volume set identifier
        text("", 128),  # 8.4.20: publisher identifier
        text("", 128),  # 8.4.21: data preparer identifier
        text(APPLICATION, 128),  # 8.4.22: application identifier
        text("", 37),  # 8.4.23: copyright file identifier
        text("", 37),  # 8.4.24: abstract file identifier
        text("", 37),  # 8.4.25: bibliographic file identifier
        made,  # 8.4.26: volume creation date
        made,  # 8.4.27: volume modification date
        _NOT_GIVEN,  # 8.4.28: volume expiration date
        _NOT_GIVEN,  # 8.4.29: volume effective date
        b"\1",  # 8.4.30: file structure version
        b"\0",  # 8.4.31: reserved
        b" " * 512,  # 8.4.32: application use, not specified; spaces (own behaviour)
        bytes(653),  # 8.4.33: reserved
    )
    return b"".join(fields)


def boot_record(catalog_lba: int) -> bytes:
    """Return the boot record that leads to the boot catalog (El Torito 1.0, figure 7).

    Offsets are hexadecimal, as in the figure.
    """
    fields = (
        b"\0",  # 0: boot record indicator
        b"CD001",  # 1 to 5: identifier
        b"\1",  # 6: version of the descriptor
        b"EL TORITO SPECIFICATION".ljust(32, b"\0"),  # 7 to 26: boot system
        bytes(32),  # 27 to 46: unused
        catalog_lba.to_bytes(4, "little"),  # 47 to 4A: first sector of the boot catalog
    )
    return b"".join(fields).ljust(SECTOR_SIZE, b"\0")  # 4B to 7FF: unused
