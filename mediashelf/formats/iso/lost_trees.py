"""Directory trees that are on the disc, and that no reader finds any more."""

from __future__ import annotations

from mediashelf.formats.fields import View
from mediashelf.formats.iso.descriptors import VolumeDescriptor
from mediashelf.formats.iso.directory_records import SELF_IDENTIFIER, Geometry, parse_directory
from mediashelf.formats.structure_rules import ProblemLog
from mediashelf.formats.volume import SECTOR_SIZE


def log_lost_tree(
    view: View, descriptor: VolumeDescriptor, geometry: Geometry, log: ProblemLog
) -> bool:
    """Log a descriptor that is not Joliet's by its head, but whose root has Joliet names.

    Its type or its escape sequences are damaged, and readers show the short names.
    """
    root = descriptor.root
    if root.length != 34 or root.identifier != SELF_IDENTIFIER or not root.extent.agrees:
        return False
    offset = root.extent.value * geometry.block_size
    records = parse_directory(
        view.read(offset, SECTOR_SIZE),
        offset=offset,
        where="",
        geometry=geometry,
        log=ProblemLog(),
        max_records=1000,
    )
    itself = records.self_record
    if itself is None or itself.lba != root.extent.value or not records.children:
        return False
    identifiers = [record.identifier for record in records.children]
    if not any(0 in each for each in identifiers) or not all(map(_is_wide, identifiers)):
        return False
    log.add(
        "tree-announced",
        f"LBA {descriptor.lba}",
        "the disc has a Joliet tree, but its volume descriptor does not say so; systems show "
        "the short names of the ISO 9660 tree",
        offset=descriptor.offset,
        length=SECTOR_SIZE,
        found=f"type {descriptor.type}, escape sequences "
        f"{descriptor.escape_sequences.rstrip(bytes(1))!r}",
        expected="type 2 and the escape sequences of Joliet: %/@, %/C or %/E",
    )
    return True


def _is_wide(identifier: bytes) -> bool:
    """Whether an identifier can be text of 16-bit characters.

    Text of single bytes has no zero byte (ECMA-119 7.4.1).
    """
    if len(identifier) % 2:
        return False
    try:
        text = identifier.decode("utf-16-be")
    except UnicodeDecodeError:
        return False
    return "\0" not in text
