"""The ISO 9660 volumes of a session: the trees of names that its volume descriptors lead to."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

from mediashelf.formats.entries import Folder
from mediashelf.formats.fields import View, parse_text, parse_wide_text
from mediashelf.formats.iso.descriptor_checks import (
    log_descriptor_problems,
    log_differing_sizes,
    log_unknown_version,
    usable_block_size,
)
from mediashelf.formats.iso.descriptors import DescriptorSet
from mediashelf.formats.iso.directories.directory_reading import Limits
from mediashelf.formats.iso.directories.directory_records import Geometry
from mediashelf.formats.iso.directories.directory_tree import DirectoryTree, walk_tree
from mediashelf.formats.iso.directories.tree_entries import SharedEntries
from mediashelf.formats.iso.identifiers import Iso9660Naming
from mediashelf.formats.iso.joliet import JolietNaming
from mediashelf.formats.iso.lost_trees import log_lost_tree, log_unlisted_tree
from mediashelf.formats.iso.naming import Naming
from mediashelf.formats.iso.path_tables import log_path_table_problems
from mediashelf.formats.iso.volume_descriptor import LABEL_FIELD, TEXT_FIELDS, VolumeDescriptor
from mediashelf.formats.problem_log import ProblemLog
from mediashelf.formats.rockridge.announcement import detect_rock_ridge
from mediashelf.formats.rockridge.naming import RockRidgeNaming
from mediashelf.formats.volume import SECTOR_SIZE, Extent, VolumeFacts, VolumeKind

TakeFolder = Callable[[VolumeKind, Folder], object]
"""Is given each folder of a tree of ISO 9660 or Joliet in their order; such trees keep none."""


class IsoVolumes:
    """Reads the volumes of one session; problems go to ``log``.

    ``session`` is its first sector. ``volumes`` are those read, each with its tree; ``furthest``
    is the largest byte offset that a structure or a file of theirs reaches.
    """

    def __init__(
        self,
        view: View,
        session: int,
        limits: Limits,
        take_folder: TakeFolder | None,
        log: ProblemLog,
    ) -> None:
        self._view, self._session, self._log = view, session, log
        self._limits, self._take_folder = limits, take_folder
        self.volumes: list[VolumeFacts] = []
        self.furthest = 0
        self._shared: SharedEntries | None = None
        self._geometries: dict[int, Geometry] = {}

    def read(self, descriptors: DescriptorSet) -> None:
        """Read the volume of each descriptor, and log those that are lost."""
        primary = descriptors.primary
        if primary is not None:
            self._read_primary(primary, has_twin=bool(descriptors.supplementary))
        for descriptor in descriptors.supplementary:
            self._read_supplementary(descriptor)
            if primary is not None:
                log_differing_sizes(primary, descriptor, self._log)
        for descriptor in descriptors.unclear:
            log_lost_tree(self._view, descriptor, self.geometry(descriptor), self._log)
        has_joliet = any(volume.kind is VolumeKind.JOLIET for volume in self.volumes)
        if descriptors.fault and primary is not None and not has_joliet:
            geometry = self.geometry(primary)
            log_unlisted_tree(self._view, descriptors, geometry, self._log)
        if self._shared is not None:
            self._shared.forget()

    def _read_primary(self, descriptor: VolumeDescriptor, *, has_twin: bool) -> None:
        geometry = self.geometry(descriptor)
        root = _root_extent(descriptor, geometry)
        ridge_log = ProblemLog()
        rock_ridge = detect_rock_ridge(self._view, root, geometry, ridge_log)
        if rock_ridge is not None or has_twin:
            self._shared = SharedEntries(shares_records=rock_ridge is not None)
        tree = self._read_tree(descriptor, VolumeKind.ISO9660, Iso9660Naming(self._log), detail="")
        self._log.extend(ridge_log)
        if rock_ridge is not None:
            naming = RockRidgeNaming(self._view, rock_ridge, geometry, self._log)
            ridge_tree = walk_tree(
                self._view, root, geometry, naming, self._log, self._limits, self._shared
            )
            self._keep(
                descriptor,
                VolumeKind.ROCKRIDGE,
                ridge_tree._replace(is_complete=ridge_tree.is_complete and tree.is_complete),
                detail=rock_ridge.identifier,
            )

    def _read_supplementary(self, descriptor: VolumeDescriptor) -> None:
        level = descriptor.joliet_level
        if level is not None:
            self._read_tree(
                descriptor, VolumeKind.JOLIET, JolietNaming(self._log), detail=f"level {level}"
            )
        elif descriptor.is_enhanced:
            naming = Iso9660Naming(self._log, is_enhanced=True)
            self._read_tree(descriptor, VolumeKind.ISO9660, naming, detail="ISO 9660:1999")
        elif not log_lost_tree(self._view, descriptor, self.geometry(descriptor), self._log):
            self._log.add(
                "supplementary-volume-read",
                f"LBA {descriptor.lba}",
                "a supplementary volume with another character set was not read",
                offset=descriptor.offset,
                found=f"escape sequences {descriptor.escape_sequences.rstrip(bytes(1))!r}",
                expected="those of Joliet, or version 2",
            )
            log_unknown_version(descriptor, self._log)

    def _read_tree(
        self, descriptor: VolumeDescriptor, kind: VolumeKind, naming: Naming, *, detail: str
    ) -> DirectoryTree:
        log_descriptor_problems(descriptor, self._log)
        geometry = self.geometry(descriptor)
        root = _root_extent(descriptor, geometry)
        take = partial(self._take_folder, kind) if self._take_folder is not None else None
        tree = walk_tree(
            self._view, root, geometry, naming, self._log, self._limits, self._shared, take
        )
        table_size = descriptor.path_table_size.likely(self._view.size)
        log_path_table_problems(
            self._view,
            descriptor.path_tables,
            table_size,
            geometry,
            None if tree.was_bounded else tree.directories,
            naming.mark,
            self._log,
        )
        ends = [lba * geometry.block_size + table_size for lba in descriptor.path_tables if lba]
        ends.append(root.lba * geometry.block_size + root.size)
        self.furthest = max(self.furthest, tree.furthest, *ends)
        self._keep(descriptor, kind, tree, detail=detail)
        return tree

    def geometry(self, descriptor: VolumeDescriptor) -> Geometry:
        """Return what extents of a volume are measured against."""
        if descriptor.lba not in self._geometries:
            geometry = geometry_of(descriptor, self._view, self._session)
            self._geometries[descriptor.lba] = geometry
        return self._geometries[descriptor.lba]

    def _keep(
        self, descriptor: VolumeDescriptor, kind: VolumeKind, tree: DirectoryTree, *, detail: str
    ) -> None:
        geometry = self.geometry(descriptor)
        parse = parse_wide_text if kind is VolumeKind.JOLIET else parse_text
        at, size = LABEL_FIELD
        fields = TEXT_FIELDS.items()
        texts = {name: parse(descriptor.data[at : at + size]) for name, (at, size) in fields}
        self.volumes.append(
            VolumeFacts(
                kind,
                parse(descriptor.data[at : at + size]),
                entries=tree.entries,
                block_size=geometry.block_size,
                block_count=geometry.volume_size // geometry.block_size,
                detail=detail,
                joliet_level=descriptor.joliet_level,
                is_enhanced=descriptor.is_enhanced,
                is_complete=tree.is_complete,
                created=descriptor.dates["creation"].text,
                modified=descriptor.dates["modification"].text,
                effective=descriptor.dates["effective"].text,
                set_number=descriptor.sequence_number.value,
                set_size=descriptor.set_size.value,
                identifiers={name: text for name, text in texts.items() if text},
            )
        )


def _root_extent(descriptor: VolumeDescriptor, geometry: Geometry) -> Extent:
    """Return where the root directory's records are, from the likelier copies of its numbers."""
    root = descriptor.root
    lba = root.extent.likely(geometry.block_count) + root.extended_attribute_blocks
    room = max(geometry.image_size - lba * geometry.block_size, 0)
    return Extent(lba, root.size.likely(room))


def geometry_of(descriptor: VolumeDescriptor, view: View, session: int = 0) -> Geometry:
    """Return what extents of a volume are measured against.

    ``session`` is the first sector of the session that the descriptor is of.
    """
    block_size = usable_block_size(descriptor)
    in_image = view.size // block_size
    blocks = descriptor.space_size.nearest(in_image)
    # Of a later session the size counts from its start; some writers count from sector 0.
    from_start = session * SECTOR_SIZE // block_size + blocks
    blocks = min(from_start, blocks, key=lambda end: abs(end - in_image))
    return Geometry(block_size, view.size, blocks * block_size, descriptor.sequence_number.value)
