"""Directory trees that are on the disc, and that no reader finds any more."""

from __future__ import annotations

from mediashelf.formats.fields import View
from mediashelf.formats.iso.descriptors import DescriptorSet
from mediashelf.formats.iso.directories.directory_records import SELF_IDENTIFIER, Geometry
from mediashelf.formats.iso.directories.record_parsing import parse_directory
from mediashelf.formats.iso.volume_descriptor import VolumeDescriptor, parse_root_record
from mediashelf.formats.problem_log import ProblemLog
from mediashelf.formats.volume import SECTOR_SIZE

_SECTORS_SEARCHED = 1024  # after the descriptors; writers put the directories there


def log_lost_tree(
    view: View, descriptor: VolumeDescriptor, geometry: Geometry, log: ProblemLog
) -> bool:
    """Log a descriptor that is not Joliet's by its head, but whose root has Joliet names.

    Its type or its escape sequences are damaged, and readers show the short names.
    """
    root = descriptor.root
    if root.length != 34 or root.identifier != SELF_IDENTIFIER or not root.extent.agrees:
        return False
    if not _has_wide_names(view, root.extent.value, geometry):
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


def log_unlisted_tree(
    view: View, descriptors: DescriptorSet, geometry: Geometry, log: ProblemLog
) -> None:
    """Log a Joliet tree that no descriptor leads to, of a set with a fault.

    A descriptor may be there twice, but one that was copied over another takes its tree away,
    and so does damage that took the end of the set. A root directory is its own parent.
    """
    if geometry.block_size != SECTOR_SIZE:
        return
    first = descriptors.last + 1
    for lba in range(first, first + _SECTORS_SEARCHED):
        head = view.read(lba * SECTOR_SIZE, 2 * 34)
        if len(head) < 2 * 34:
            return
        own, parent = parse_root_record(head[:34]), parse_root_record(head[34:])
        is_root = own.length == 34 and own.extent == parent.extent and own.extent.agrees
        if is_root and own.extent.value == lba and _has_wide_names(view, lba, geometry):
            log.add(
                "tree-announced",
                f"LBA {lba}",
                "the disc has a Joliet tree that no volume descriptor leads to, and "
                f"{descriptors.fault}; systems show the short names of the ISO 9660 tree",
                offset=lba * SECTOR_SIZE,
                length=SECTOR_SIZE,
                found=f"{descriptors.fault}, and none of Joliet",
                expected="a descriptor of type 2 with the escape sequences of Joliet",
            )
            return


def _has_wide_names(view: View, lba: int, geometry: Geometry) -> bool:
    """Tell whether a directory with names of 16-bit characters is at this block."""
    offset = lba * geometry.block_size
    records = parse_directory(
        view.read(offset, SECTOR_SIZE),
        offset=offset,
        where="",
        geometry=geometry,
        log=ProblemLog(),
        max_records=1000,
    )
    itself = records.self_record
    if itself is None or itself.lba != lba or not records.children:
        return False
    identifiers = [record.identifier for record in records.children]
    return any(0 in each for each in identifiers) and all(map(_is_wide, identifiers))


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
