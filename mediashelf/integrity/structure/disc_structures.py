"""The structures of a disc: bytes that belong to no entry of any tree."""

from __future__ import annotations

from collections.abc import Iterator

from mediashelf.formats.entries import iter_folders
from mediashelf.formats.iso.descriptors import FIRST_DESCRIPTOR, DescriptorSet
from mediashelf.formats.iso.volume_descriptor import VolumeDescriptor
from mediashelf.formats.udf.recognition import FIRST_ANCHOR
from mediashelf.formats.volume import SECTOR_SIZE, BootFacts, DiscFacts, Entry, VolumeKind

Structure = tuple[int, int, str, VolumeDescriptor | Entry | None]
"""Where bytes begin that belong to no entry of any tree, how many, and whose: in a message it is
said with the name of the last."""


def iter_structures(facts: DiscFacts, descriptors: DescriptorSet) -> Iterator[Structure]:
    """Yield the structures of all volumes, with places and sizes in bytes."""
    yield 0, FIRST_DESCRIPTOR * SECTOR_SIZE, "the system area", None
    known = [descriptors.primary, *descriptors.supplementary]
    for descriptor in known:
        if descriptor is not None:
            yield from _structures_of(descriptor)
    for lba, _ in descriptors.boot_records:
        yield lba * SECTOR_SIZE, SECTOR_SIZE, "a boot record", None
    if facts.boot is not None:
        yield from _boot_structures(facts, facts.boot)
    udf = facts.volume(VolumeKind.UDF)
    if udf is not None:
        yield FIRST_ANCHOR * udf.block_size, udf.block_size, "the UDF anchor", None
        for entry in udf.entries:
            if entry.record_offset >= 0:
                yield entry.record_offset, udf.block_size, "the UDF file entry of {}", entry


def _structures_of(descriptor: VolumeDescriptor) -> Iterator[Structure]:
    yield descriptor.offset, SECTOR_SIZE, "the {}", descriptor
    # What is recorded twice and not the same is not known for certain.
    if not descriptor.block_size.agrees:
        return
    block_size, root = descriptor.block_size.value, descriptor.root
    if root.extent.agrees and root.size.agrees:
        at, size = root.extent.value * block_size, root.size.value
        yield at, size, "the root directory of the {}", descriptor
    if descriptor.path_table_size.agrees:
        size = descriptor.path_table_size.value
        for lba in descriptor.path_tables:
            if lba:  # optional ones may be absent
                yield lba * block_size, size, "a path table of the {}", descriptor


def _boot_structures(facts: DiscFacts, boot: BootFacts) -> Iterator[Structure]:
    """Yield the first sectors of what booting needs, where they are not files.

    As files they have lengths of their own, whatever the boot catalog claims.
    """
    places = {boot.catalog_lba: "the boot catalog"}
    for entry in boot.entries:
        if entry.is_bootable and entry.load_lba:
            places.setdefault(entry.load_lba, f"boot image {entry.section}")
    starts = {lba * SECTOR_SIZE for lba in places}
    for volume in facts.volumes:
        for folder in iter_folders(volume.entries):
            starts.difference_update(
                extents[0].lba * volume.block_size for extents in folder.iter_extents() if extents
            )
    for lba, owner in places.items():
        if lba * SECTOR_SIZE in starts:
            yield lba * SECTOR_SIZE, SECTOR_SIZE, owner, None
