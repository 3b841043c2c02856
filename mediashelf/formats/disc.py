"""A whole disc: every volume that its descriptors announce, read and checked through one view."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import NamedTuple

from mediashelf.collector import collector_paused
from mediashelf.findings import Finding
from mediashelf.formats.disc_sessions import find_later_sessions, log_sessions
from mediashelf.formats.entries import Folder
from mediashelf.formats.fields import View, parse_text, parse_wide_text
from mediashelf.formats.image_size import describe_nothing, describe_packed, log_size_problems
from mediashelf.formats.iso.descriptor_checks import (
    log_descriptor_problems,
    log_differing_sizes,
    log_unknown_version,
    usable_block_size,
)
from mediashelf.formats.iso.descriptors import (
    LABEL_FIELD,
    TEXT_FIELDS,
    DescriptorSet,
    VolumeDescriptor,
    read_descriptor_set,
)
from mediashelf.formats.iso.directories.directory_records import Geometry
from mediashelf.formats.iso.directories.directory_tree import (
    DEFAULT_LIMITS,
    DirectoryTree,
    Limits,
    walk_tree,
)
from mediashelf.formats.iso.directories.tree_entries import SharedEntries
from mediashelf.formats.iso.eltorito import log_lost_catalog, read_boot
from mediashelf.formats.iso.identifiers import Iso9660Naming
from mediashelf.formats.iso.joliet import JolietNaming
from mediashelf.formats.iso.lost_trees import log_lost_tree, log_replaced_descriptor
from mediashelf.formats.iso.naming import Naming
from mediashelf.formats.iso.path_tables import log_path_table_problems
from mediashelf.formats.partitions.guid_partitions import log_guid_partition_problems
from mediashelf.formats.partitions.partition_table import detect_partition_kind
from mediashelf.formats.problem_log import ProblemLog
from mediashelf.formats.rockridge.announcement import detect_rock_ridge
from mediashelf.formats.rockridge.naming import RockRidgeNaming
from mediashelf.formats.udf.volume import furthest_of, read_udf_volume
from mediashelf.formats.volume import (
    SECTOR_SIZE,
    DiscFacts,
    Extent,
    VolumeFacts,
    VolumeKind,
)

# The standard identifier of High Sierra, as the Linux kernel 6.12 looks for it (iso_fs.h).
_HIGH_SIERRA, _HIGH_SIERRA_AT = b"CDROM", 16 * SECTOR_SIZE + 9


class DiscReading(NamedTuple):
    """What a view holds, and what is wrong with its structures."""

    facts: DiscFacts
    findings: tuple[Finding, ...]


TakeFolder = Callable[[VolumeKind, Folder], object]
"""Is given each folder of a tree of ISO 9660 or Joliet in their order; such trees keep none."""


def read_disc(
    view: View, *, limits: Limits = DEFAULT_LIMITS, take_folder: TakeFolder | None = None
) -> DiscReading:
    """Read and check everything but the contents of files; never raises for damage."""
    with collector_paused():
        return _DiscReader(view, limits, take_folder).read()


class _DiscReader:
    """The state of one reading."""

    def __init__(self, view: View, limits: Limits, take_folder: TakeFolder | None) -> None:
        self._view, self._limits, self._take_folder = view, limits, take_folder
        self._log = ProblemLog()
        self._volumes: list[VolumeFacts] = []
        self._furthest = 0
        self._sessions: tuple[int, ...] = (0,)
        self._shared: SharedEntries | None = None
        self._geometries: dict[tuple[int, int], Geometry] = {}

    def read(self) -> DiscReading:
        descriptors = self._read_last_session()
        udf = read_udf_volume(self._view, self._log, self._sessions[-1])
        if descriptors.primary is None and not descriptors.supplementary and udf is None:
            return self._no_volume()
        if descriptors.primary is not None:
            self._read_primary(descriptors.primary, has_twin=bool(descriptors.supplementary))
        for descriptor in descriptors.supplementary:
            self._read_supplementary(descriptor)
            if descriptors.primary is not None:
                log_differing_sizes(descriptors.primary, descriptor, self._log)
        for descriptor in descriptors.unclear:
            log_lost_tree(self._view, descriptor, self._geometry(descriptor), self._log)
        has_joliet = any(volume.kind is VolumeKind.JOLIET for volume in self._volumes)
        if descriptors.has_copy and descriptors.primary is not None and not has_joliet:
            geometry = self._geometry(descriptors.primary)
            log_replaced_descriptor(self._view, descriptors.last, geometry, self._log)
        boot = read_boot(self._view, descriptors.boot_records, self._log, self._sessions[-1])
        if descriptors.has_copy and not descriptors.boot_records:
            log_lost_catalog(self._view, descriptors.last, self._log)
        self._volumes += [udf] if udf is not None else []
        for entry in boot.entries if boot is not None else ():
            end = entry.load_lba * SECTOR_SIZE + entry.image_size
            self._furthest = max(self._furthest, end)
        if self._shared is not None:
            self._shared.forget()
        self._log_size(descriptors, udf)
        # The Rock Ridge tree is another reading of the primary one; it comes after Joliet.
        order = list(VolumeKind)
        self._volumes.sort(key=lambda volume: order.index(volume.kind))
        table = detect_partition_kind(self._view)
        facts = DiscFacts(self._view.size, tuple(self._volumes), boot, False, self._sessions, table)
        return DiscReading(facts, self._log.findings())

    def _read_last_session(self) -> DescriptorSet:
        """Read the descriptors of the last session, which systems show."""
        log = ProblemLog()
        descriptors = read_descriptor_set(self._view, log)
        first = descriptors.primary
        if first is not None:
            end = -(-self._geometry(first).volume_size // SECTOR_SIZE)
            later = find_later_sessions(self._view, end)
            if later:
                self._sessions = (0, *later)
                log_sessions(self._sessions, self._log)
                return read_descriptor_set(self._view, self._log, later[-1])
        self._log.extend(log)
        return descriptors

    def _no_volume(self) -> DiscReading:
        # Imported only for files other than plain disc images: it needs the EDC.
        from mediashelf.formats.raw.layout import HEAD_SIZE, detect_layout

        layout = detect_layout(self._view.read(0, HEAD_SIZE))
        is_raw = layout is not None and layout.size != SECTOR_SIZE
        if layout is not None and is_raw:
            self._log.add(
                "raw-sectors",
                "image",
                f"the file has raw sectors of {layout.size:,} bytes; emulated drives cannot "
                "serve it as a data disc",
                found=f"{layout.size:,} bytes a sector",
                expected="2,048 bytes a sector",
            )
        elif self._view.read(_HIGH_SIERRA_AT, 5) == _HIGH_SIERRA:
            self._log.add(
                "high-sierra-volume",
                "image",
                "this is a High Sierra disc, the format before ISO 9660; it was not read",
                offset=_HIGH_SIERRA_AT,
                length=5,
                found=_HIGH_SIERRA.decode(),
                expected="CD001",
            )
        elif packed := describe_packed(self._view):
            self._log.add("image-is-unpacked", "image", packed)
        else:
            self._log.add(
                "no-volume",
                "image",
                describe_nothing(self._view),
                found=f"{self._view.size:,} bytes of something else",
                expected="volume descriptors from byte 32,768 on",
            )
        facts = DiscFacts(self._view.size, looks_raw=is_raw)
        return DiscReading(facts, self._log.findings())

    def _read_primary(self, descriptor: VolumeDescriptor, *, has_twin: bool) -> None:
        geometry = self._geometry(descriptor)
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
        elif not log_lost_tree(self._view, descriptor, self._geometry(descriptor), self._log):
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
        geometry = self._geometry(descriptor)
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
        self._furthest = max(self._furthest, tree.furthest, *ends)
        self._keep(descriptor, kind, tree, detail=detail)
        return tree

    def _geometry(self, descriptor: VolumeDescriptor) -> Geometry:
        place = descriptor.lba, self._sessions[-1]
        if place not in self._geometries:
            self._geometries[place] = self._new_geometry(descriptor)
        return self._geometries[place]

    def _new_geometry(self, descriptor: VolumeDescriptor) -> Geometry:
        block_size = usable_block_size(descriptor)
        in_image = self._view.size // block_size
        blocks = descriptor.space_size.nearest(in_image)
        # Of a later session the size counts from its start; some writers count from sector 0.
        from_start = self._sessions[-1] * SECTOR_SIZE // block_size + blocks
        blocks = min(from_start, blocks, key=lambda end: abs(end - in_image))
        return Geometry(
            block_size, self._view.size, blocks * block_size, descriptor.sequence_number.value
        )

    def _keep(
        self, descriptor: VolumeDescriptor, kind: VolumeKind, tree: DirectoryTree, *, detail: str
    ) -> None:
        geometry = self._geometry(descriptor)
        parse = parse_wide_text if kind is VolumeKind.JOLIET else parse_text
        at, size = LABEL_FIELD
        fields = TEXT_FIELDS.items()
        texts = {name: parse(descriptor.data[at : at + size]) for name, (at, size) in fields}
        self._volumes.append(
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

    def _log_size(self, descriptors: DescriptorSet, udf: VolumeFacts | None) -> None:
        first = descriptors.primary or next(iter(descriptors.supplementary), None)
        volume_size = 0
        if first is not None:
            volume_size = self._geometry(first).volume_size
        elif udf is not None:
            volume_size = udf.block_count * udf.block_size
        log_size_problems(
            self._view,
            volume_size,
            max(self._furthest, furthest_of(udf)),
            has_udf=udf is not None,
            log=self._log,
            claimed=log_guid_partition_problems(self._view, self._log),
        )


def _root_extent(descriptor: VolumeDescriptor, geometry: Geometry) -> Extent:
    """Return where the root directory's records are, from the likelier copies of its numbers."""
    root = descriptor.root
    lba = root.extent.likely(geometry.block_count) + root.extended_attribute_blocks
    room = max(geometry.image_size - lba * geometry.block_size, 0)
    return Extent(lba, root.size.likely(room))
