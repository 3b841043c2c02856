"""What takes the room on a disc: its tree with sizes."""

from __future__ import annotations

from array import array
from collections.abc import Iterable, Iterator, Sequence
from typing import NamedTuple

from msgspec import Struct, field

from mediashelf.findings import Severity
from mediashelf.formats.entries import iter_folders
from mediashelf.formats.volume import DiscFacts, Extent, VolumeFacts, VolumeKind

_PREFERRED = (VolumeKind.JOLIET, VolumeKind.ROCKRIDGE, VolumeKind.UDF, VolumeKind.ISO9660)
_SEVERITIES: tuple[Severity | None, ...] = (None, *sorted(Severity))


class _Files(NamedTuple):
    """Files of one folder as columns: there are 100,000 of them, and few are drawn."""

    above: str
    names: Sequence[str]
    sizes: Sequence[int]
    levels: Sequence[int]


class DrawnArea(Struct, gc=False):  # no circles
    """A file or folder with its size in bytes; a folder's is that of all below it.

    ``above`` is the path of the folder that it is in, empty for the root. ``severity`` is that
    of the worst finding about it or anything below, None where there is none. ``folders`` and
    ``files`` are those that are in a folder.
    """

    name: str
    above: str
    is_folder: bool
    size: int = 0
    file_count: int = 0
    severity: Severity | None = None
    folders: dict[str, DrawnArea] = field(default_factory=dict)
    files: tuple[_Files, ...] = ()

    @property
    def path(self) -> str:
        """Its path on the disc."""
        return f"{self.above}/{self.name}"

    def add(self, size: int, file_count: int, level: int) -> None:
        """Count more files below, of which the worst finding is of this severity."""
        self.size += size
        self.file_count += file_count
        self.severity = _SEVERITIES[max(self.severity or 0, level)]

    @property
    def flaw(self) -> str:
        """The word of the severity where it is worth a sign, else nothing."""
        is_worth = self.severity is not None and self.severity > Severity.NOTE
        return self.severity.word if self.severity is not None and is_worth else ""

    def by_size(self) -> list[DrawnArea]:
        """Return what has a size, the largest first and then by name."""
        there = [folder for folder in self.folders.values() if folder.size]
        there += self.iter_files()
        return sorted(there, key=lambda child: (-child.size, child.name))

    def iter_files(self) -> Iterator[DrawnArea]:
        """Yield the files in it that have a size, each made anew."""
        for above, *columns in self.files:
            for name, size, level in zip(*columns, strict=True):
                if size:
                    yield DrawnArea(name, above, False, size, 1, _SEVERITIES[level])


def best_volume(facts: DiscFacts) -> VolumeFacts | None:
    """Return the tree with the fullest names among those that were read."""
    volumes = [facts.volume(kind) for kind in _PREFERRED]
    return next((volume for volume in volumes if volume is not None and volume.entries_read), None)


def disc_areas(volume: VolumeFacts, severities: Sequence[int] = b"") -> tuple[DrawnArea, int]:
    """Return the tree of a volume, and how many files share the place of another.

    Each place on the disc is counted once, for the first file that shows it.
    ``severities`` has the worst finding about each entry, 0 where there is none.
    """
    root = DrawnArea("", "/", True)
    seen = _SeenPlaces()
    shared = start = 0
    for each in iter_folders(volume.entries):
        count = len(each.names)
        levels = severities[start : start + count] or bytes(count)
        start += count
        sizes = array("Q")
        for extents, size, is_folder in zip(
            each.iter_extents(), each.sizes, each.are_folders, strict=True
        ):
            if not is_folder:
                is_shared = seen.have_all(extents)
                shared += is_shared
                sizes.append(0 if is_shared else size)
        if sizes:
            levels = bytes(each.of_files(levels))
            _put(root, _Files(each.path, each.of_files(each.names), sizes, levels))
    return root, shared


class _SeenPlaces:
    """Where files begin that were met: 64 blocks are one number, since they are mostly full."""

    def __init__(self) -> None:
        self._blocks: dict[int, int] = {}
        self._inside: set[tuple[int, int]] = set()  # blocks with an offset

    def have_all(self, extents: Iterable[Extent]) -> bool:
        """Return whether a file with any bytes is where others are; from now on it was met."""
        new = there = 0
        for extent in extents:
            if not extent.size:
                continue
            there += 1
            if extent.offset:
                place = extent.lba, extent.offset
                new += place not in self._inside
                self._inside.add(place)
                continue
            number, bit = extent.lba >> 6, 1 << (extent.lba & 63)
            known = self._blocks.get(number, 0)
            new += not known & bit
            self._blocks[number] = known | bit
        return bool(there) and not new


def _put(root: DrawnArea, files: _Files) -> None:
    """Put files into their folder, and make it where it is not there."""
    counts = sum(files.sizes), len(files.names), max(files.levels)
    folder = root
    folder.add(*counts)
    for part in files.above.split("/")[1:]:
        if part not in folder.folders:
            folder.folders[part] = DrawnArea(part, folder.path.rstrip("/"), True)
        folder = folder.folders[part]
        folder.add(*counts)
    folder.files += (files,)
