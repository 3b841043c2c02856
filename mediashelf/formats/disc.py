"""A whole disc: every volume that its descriptors announce, read and checked through one view."""

from __future__ import annotations

from typing import NamedTuple

from mediashelf.collector import collector_paused
from mediashelf.findings import Finding
from mediashelf.formats.disc_sessions import find_later_sessions, log_sessions
from mediashelf.formats.fields import View
from mediashelf.formats.image_size import describe_nothing, describe_packed, log_size_problems
from mediashelf.formats.iso.descriptors import DescriptorSet, read_descriptor_set
from mediashelf.formats.iso.directories.directory_reading import DEFAULT_LIMITS, Limits
from mediashelf.formats.iso.eltorito import log_lost_catalog, read_boot
from mediashelf.formats.iso_volumes import IsoVolumes, TakeFolder, geometry_of
from mediashelf.formats.partitions.guid_partitions import log_guid_partition_problems
from mediashelf.formats.partitions.partition_table import detect_partition_kind
from mediashelf.formats.problem_log import ProblemLog
from mediashelf.formats.udf.volume import furthest_of, read_udf_volume
from mediashelf.formats.volume import SECTOR_SIZE, DiscFacts, VolumeFacts, VolumeKind

# The standard identifier of High Sierra, as the Linux kernel 6.12 looks for it (iso_fs.h).
_HIGH_SIERRA, _HIGH_SIERRA_AT = b"CDROM", 16 * SECTOR_SIZE + 9


class DiscReading(NamedTuple):
    """What a view holds, and what is wrong with its structures."""

    facts: DiscFacts
    findings: tuple[Finding, ...]


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
        self._sessions: tuple[int, ...] = (0,)

    def read(self) -> DiscReading:
        descriptors = self._read_last_session()
        udf = read_udf_volume(self._view, self._log, self._sessions[-1])
        if descriptors.primary is None and not descriptors.supplementary and udf is None:
            return self._no_volume()
        iso = IsoVolumes(self._view, self._sessions[-1], self._limits, self._take_folder, self._log)
        iso.read(descriptors)
        volumes = iso.volumes if udf is None else [*iso.volumes, udf]
        boot = read_boot(self._view, descriptors.boot_records, self._log, self._sessions[-1])
        if descriptors.fault and not descriptors.boot_records:
            log_lost_catalog(self._view, descriptors, self._log)
        images = boot.entries if boot is not None else ()
        ends = [image.load_lba * SECTOR_SIZE + image.image_size for image in images]
        log_size_problems(
            self._view,
            _volume_size(iso, descriptors, udf),
            max(iso.furthest, furthest_of(udf), *ends),
            has_udf=udf is not None,
            log=self._log,
            claimed=log_guid_partition_problems(self._view, self._log),
        )
        # The Rock Ridge tree is another reading of the primary one; it comes after Joliet.
        order = list(VolumeKind)
        volumes.sort(key=lambda volume: order.index(volume.kind))
        table = detect_partition_kind(self._view)
        facts = DiscFacts(self._view.size, tuple(volumes), boot, False, self._sessions, table)
        return DiscReading(facts, self._log.findings())

    def _read_last_session(self) -> DescriptorSet:
        """Read the descriptors of the last session, which systems show."""
        log = ProblemLog()
        descriptors = read_descriptor_set(self._view, log)
        first = descriptors.primary
        if first is not None:
            end = -(-geometry_of(first, self._view).volume_size // SECTOR_SIZE)
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


def _volume_size(iso: IsoVolumes, descriptors: DescriptorSet, udf: VolumeFacts | None) -> int:
    """Return the bytes that the first volume says it has."""
    first = descriptors.primary or next(iter(descriptors.supplementary), None)
    if first is not None:
        return iso.geometry(first).volume_size
    return udf.block_count * udf.block_size if udf is not None else 0
