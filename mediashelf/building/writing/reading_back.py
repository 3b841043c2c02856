"""Is a disc that was just written what was planned? Our own reader says."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from itertools import zip_longest
from pathlib import Path

from mediashelf.building.naming.layout import Layout
from mediashelf.building.planning.disc_plan import DiscPlan
from mediashelf.building.sources.digesting import PassingDigests, hash_quickly, quick_place
from mediashelf.building.sources.reading import SMALL
from mediashelf.building.tree import Content
from mediashelf.errors import BuildError
from mediashelf.findings import Severity
from mediashelf.formats.entries import Folder, iter_folders
from mediashelf.formats.fields import View
from mediashelf.formats.volume import SECTOR_SIZE, Entry, VolumeFacts, VolumeKind
from mediashelf.image import open_image
from mediashelf.trees.tree import CHUNK

_BLOCK = 4 << 20  # bytes that are read at once


def read_back_disc(
    plan: DiscPlan, path: Path, *, on_bytes: Callable[[int], None] = lambda count: None
) -> None:
    """Read the image at ``path`` and compare it with the plan it was built from.

    Both trees must hold exactly the planned entries, in order, with their
    dates and places; every content must have the digest of the bytes that were
    read from its source. Raises :class:`BuildError` for the first difference.
    """
    trees = {volume.kind: _TreeComparison(volume) for volume in plan.facts.volumes}

    def take_folder(kind: VolumeKind, folder: Folder) -> None:
        trees[kind].take(folder)

    with open_image(path, take_folder) as image:
        for finding in image.findings:
            if finding.severity > Severity.NOTE:
                raise _failed(f"{finding.where}: {finding.message}")
        if image.size != plan.size:
            raise _failed(f"the image has {image.size:,} bytes, expected {plan.size:,}")
        for planned in plan.facts.volumes:
            _compare_volumes(planned, image.facts.volume(planned.kind))
            trees[planned.kind].finish()
        if image.facts.boot != plan.facts.boot:
            raise _failed("the boot catalog is not the one that was written")
        _compare_contents(plan.layout, image.view, on_bytes)


def _compare_volumes(planned: VolumeFacts, found: VolumeFacts | None) -> None:
    if found is None:
        raise _failed(f"there is no {planned.kind.words} tree")
    if (found.label, found.block_count) != (planned.label, planned.block_count):
        raise _failed(
            f"the {planned.kind.words} descriptor says {found.label!r} with {found.block_count:,} "
            f"blocks, expected {planned.label!r} with {planned.block_count:,}"
        )


class _TreeComparison:
    """Compares a tree with the planned one while it is read: neither is held as a whole."""

    def __init__(self, planned: VolumeFacts) -> None:
        self._kind = planned.kind
        self._expected = iter_folders(planned.entries)
        self._number = 0  # of the entries that were compared
        self._difference: BuildError | None = None

    def take(self, folder: Folder) -> None:
        """Compare the next folder; an empty one has no entries to be compared."""
        if folder.names and self._difference is None:
            self._compare(folder, next(self._expected, None))

    def finish(self) -> None:
        """Raise for the first difference."""
        if self._difference is None:
            missing = next(self._expected, None)
            if missing is not None:
                self._compare(None, missing)
        if self._difference is not None:
            raise self._difference

    def _compare(self, found: Folder | None, planned: Folder | None) -> None:
        if found is None or planned is None or not _are_equal(found, planned):
            self._difference = _difference(self._kind, self._number, found, planned)
        self._number += len(planned.names) if planned is not None else 0


def _are_equal(one: Folder, other: Folder) -> bool:
    """Whether two folders have equal columns; what is not seen here the entries tell."""
    return one.path == other.path and all(
        list(found) == list(planned)
        for found, planned in (
            (one.names, other.names),
            (one.identifiers, other.identifiers),
            (one.sizes, other.sizes),
            (one.are_folders, other.are_folders),
            (one.lbas, other.lbas),  # none where a file has several extents
            (one.dates, other.dates),
            (one.flags, other.flags),
        )
    )


def _difference(
    kind: VolumeKind, number: int, found: Folder | None, planned: Folder | None
) -> BuildError | None:
    """Return the first entry that is not the planned one; ``number`` is that of the first."""
    pairs = zip_longest(found.entries() if found else (), planned.entries() if planned else ())
    for at, (entry, expected) in enumerate(pairs, number):
        # Their last field tells where the record is; a planned one is nowhere.
        if entry is None or expected is None or entry[:-1] != expected[:-1]:
            return _failed(
                f"entry {at} of the {kind.words} tree is {_describe(entry) or 'missing'}, "
                f"expected {_describe(expected) or 'nothing'}"
            )
    return None


def _describe(entry: Entry | None) -> str:
    if entry is None:
        return ""
    places = ", ".join(f"LBA {extent.lba}" for extent in entry.extents)
    return f"{entry.path} ({entry.size:,} bytes, {places or 'no place'}, date {entry.date.hex()})"


def _compare_contents(layout: Layout, view: View, on_bytes: Callable[[int], None]) -> None:
    blocks = _BlockReader(view)
    contents, written = layout.contents, memoryview(layout.quick)
    with PassingDigests(is_quick=True) as digests:
        for number, content in enumerate(contents):
            if content.size <= SMALL:
                size = content.size
                quick = hash_quickly(blocks.read(content.lba * SECTOR_SIZE, size))
                if quick != written[quick_place(number)]:
                    raise _not_as_written(content)
                on_bytes(size)
                continue
            for piece in digests.passing(number, blocks.iter_pieces(content)):
                on_bytes(len(piece))
        for number, found in digests.finished():
            if found.quick != written[quick_place(number)]:
                raise _not_as_written(contents[number])


def _not_as_written(content: Content) -> BuildError:
    return _failed(
        f"the bytes of {content.shown_path or 'the index page'} at LBA {content.lba} "
        "are not those that were written"
    )


class _BlockReader:
    """Reads a disc in large blocks, of which contents are parts."""

    def __init__(self, view: View) -> None:
        self._view = view
        self._start = 0
        self._block = memoryview(b"")

    def iter_pieces(self, content: Content) -> Iterator[memoryview]:
        """Yield the bytes of a content; fewer where the disc ends."""
        at = content.lba * SECTOR_SIZE
        for start in range(at, at + content.size, CHUNK):
            yield self.read(start, min(CHUNK, at + content.size - start))

    def read(self, start: int, size: int) -> memoryview:
        """Return bytes of the disc, at most :data:`CHUNK`; fewer where it ends."""
        at = start - self._start
        if at < 0 or at + size > len(self._block):
            self._start, self._block, at = start, memoryview(self._view.read(start, _BLOCK)), 0
        return self._block[at : at + size]


def _failed(reason: str) -> BuildError:
    return BuildError(
        f"the disc did not read back as it was written: {reason}; "
        "check the medium it was written to, then build again"
    )
