"""Who uses which bytes of a disc: files, directories and structures that overlap each other."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from itertools import chain
from typing import NamedTuple

from mediashelf.findings import Finding, Severity
from mediashelf.formats.entries import Folder, iter_folders
from mediashelf.formats.fields import View
from mediashelf.formats.iso.descriptors import FIRST_DESCRIPTOR, read_descriptor_set
from mediashelf.formats.problem_log import ProblemLog
from mediashelf.formats.volume import SECTOR_SIZE, DiscFacts, Entry, VolumeFacts, VolumeKind
from mediashelf.integrity.structure.damage import runs_of
from mediashelf.integrity.structure.disc_structures import Structure, iter_structures


class _Run(NamedTuple):
    """Bytes of the image that somebody uses. Structures have no path."""

    offset: int
    size: int
    owner: str
    is_structure: bool = False
    is_directory: bool = False

    @property
    def end(self) -> int:
        return self.offset + self.size

    def order(self) -> tuple[int, int, bool]:
        """What runs are sorted by; those that share it may share their bytes."""
        return self.offset, self.size, not (self.is_structure or self.is_directory)


def check_overlaps(facts: DiscFacts, view: View) -> Iterator[Finding]:
    """Compare every run of bytes with the one that reaches furthest before it; name each once.

    Runs of equal place and length may be shared by files: links, equal files, several
    trees; that directories share them is found by the reader. Directories that Rock Ridge
    moved count where they are, not by their placeholders.
    """
    session = facts.sessions[-1]
    descriptors = read_descriptor_set(view, ProblemLog(), session)
    set_start, set_end = (
        (session + FIRST_DESCRIPTOR) * SECTOR_SIZE,
        (descriptors.last + 1) * SECTOR_SIZE,
    )
    if not _any_overlap(facts, iter_structures(facts, descriptors), set_start, set_end):
        return
    runs: list[_Run] = []
    structures = map(_structure_run, iter_structures(facts, descriptors))
    for run in chain(_entry_runs(facts), structures):
        if run.offset < set_end and run.end > set_start and not run.is_structure:
            yield _over_descriptors(run)
        else:
            runs.append(run)
    runs.sort(key=_Run.order)
    before: _Run | None = None
    furthest: _Run | None = None
    told: set[_Run] = set()
    for run in runs:
        if before is not None and run.order() == before.order():
            continue
        before = run
        if furthest is not None and run.offset < furthest.end:
            # A file is named before a structure.
            is_file_first = run.is_structure and not furthest.is_structure
            named, other = (furthest, run) if is_file_first else (run, furthest)
            if named not in told:
                told.add(named)
                yield _overlap(named, other)
        if furthest is None or run.end > furthest.end:
            furthest = run


def _any_overlap(
    facts: DiscFacts, structures: Iterable[Structure], set_start: int, set_end: int
) -> bool:
    """Tell whether any bytes are used twice, or over the descriptors between these two places.

    Each run is one number here: of a million, their names would take most of the memory.
    """
    keys = [_key(offset, size, False) for offset, size, _, _ in structures]
    known: dict[bytes, tuple[object, ...]] = {}  # trees share most columns
    for volume in _placed_volumes(facts):
        for folder in iter_folders(volume.entries):
            columns = folder.sizes, folder.are_folders, volume.block_size
            if folder.lbas:
                lbas = folder.packed_lbas
                if known.get(lbas) == columns:
                    continue
                known[lbas] = columns
            new = _folder_keys(folder, volume.block_size)
            if any(_reaches(key, set_start, set_end) for key in new if key < set_end << 65):
                return True
            keys += new
    keys.sort()
    furthest, before = 0, -1
    for key in keys:
        if key != before:
            offset, size = key >> 65, key >> 1 & _MOST_BYTES
            if offset < furthest:
                return True
            furthest, before = offset + size, key
    return False


def _folder_keys(folder: Folder, block_size: int) -> list[int]:
    """Return the runs of a folder's entries; bytes inside a UDF file entry are part of that."""
    if folder.extents is None:
        blocks = block_size << 65
        columns = zip(folder.lbas, folder.sizes, folder.are_folders, strict=True)
        return [
            lba * blocks | size << 1 | (not is_folder) for lba, size, is_folder in columns if size
        ]
    return [
        _key(offset, size, not is_folder)
        for extents, is_folder in zip(folder.extents, folder.are_folders, strict=True)
        for offset, size in runs_of(extents, block_size)
        if size and not offset % block_size
    ]


def _reaches(key: int, set_start: int, set_end: int) -> bool:
    return set_start - (key >> 1 & _MOST_BYTES) < key >> 65 < set_end


_MOST_BYTES = 0xFFFFFFFFFFFFFFFF


def _key(offset: int, size: int, is_file: bool) -> int:
    return (offset << 64 | size) << 1 | is_file


def _entry_runs(facts: DiscFacts) -> Iterator[_Run]:
    for volume in _placed_volumes(facts):
        for entry in volume.entries:
            for offset, size in runs_of(entry.extents, volume.block_size):
                # Bytes inside a UDF file entry are part of that record.
                if size and not offset % volume.block_size:
                    yield _Run(offset, size, entry.path, is_directory=entry.is_directory)


def _placed_volumes(facts: DiscFacts) -> Iterator[VolumeFacts]:
    return (volume for volume in facts.volumes if not _is_replaced(volume, facts))


def _is_replaced(volume: VolumeFacts, facts: DiscFacts) -> bool:
    """Tell whether Rock Ridge names the same records, and knows which are placeholders."""
    ridge = facts.volume(VolumeKind.ROCKRIDGE)
    is_primary = volume.kind is VolumeKind.ISO9660 and not volume.is_enhanced
    return is_primary and ridge is not None and ridge.is_complete


def _structure_run(structure: Structure) -> _Run:
    offset, size, owner, of = structure
    if of is not None:
        owner = owner.replace("{}", of.path if isinstance(of, Entry) else of.name)
    return _Run(offset, size, owner, is_structure=True)


def _over_descriptors(run: _Run) -> Finding:
    return Finding(
        "extent-outside-descriptors",
        Severity.ERROR,
        run.owner,
        "its bytes are said to be where the volume descriptors are, so they are not its own",
        remedy="compare the image with another copy, or read the disc again",
        source="ECMA-119 8.1; own behaviour: nothing else can be there",
        found=f"LBA {run.offset // SECTOR_SIZE}, {run.size:,} bytes",
        expected="a place after the volume descriptors",
        offset=run.offset,
        length=run.size,
    )


def _overlap(run: _Run, other: _Run) -> Finding:
    return Finding(
        "extents-apart",
        Severity.WARNING,
        run.owner,
        f"its bytes overlap those of {other.owner}",
        remedy="compare the image with another copy; some discs were made like this on purpose",
        source="common practice",
        found=f"LBA {run.offset // SECTOR_SIZE}, {run.size:,} bytes",
        expected="bytes of its own, or exactly the same bytes",
        offset=run.offset,
        length=run.size,
    )
