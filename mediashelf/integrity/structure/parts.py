"""Do the parts of a disc fit together: extents that overlap, trees that differ, boot sectors.

What one structure says wrong of itself is found by the reader
(:attr:`mediashelf.image.DiscImage.findings`); here its parts are compared with
each other. No contents of files are read.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import chain, islice
from typing import Protocol

from mediashelf.findings import Finding, Severity
from mediashelf.formats.entries import iter_folders
from mediashelf.formats.fields import View
from mediashelf.formats.structure_rules import ProblemLog
from mediashelf.formats.udf.recognition import FIRST_ANCHOR, has_first_anchor, log_unannounced
from mediashelf.formats.volume import (
    SECTOR_SIZE,
    DiscFacts,
    Entry,
    VolumeFacts,
    VolumeKind,
)
from mediashelf.integrity.structure.boot_images import check_boot_images
from mediashelf.integrity.structure.damage import runs_of
from mediashelf.integrity.structure.file_places import file_places, is_embedded
from mediashelf.integrity.structure.overlaps import check_overlaps
from mediashelf.integrity.structure.twin_names import check_twin_names
from mediashelf.integrity.structure.twins import check_twins

PLACES_PER_RULE = 100
"""How many findings of one rule are given; the rest are counted in the last one."""


class ReadDisc(Protocol):
    """An open image, or anything else with a disc's facts and the bytes that they are of."""

    @property
    def facts(self) -> DiscFacts: ...

    @property
    def view(self) -> View: ...


def check_structure(image: ReadDisc) -> Iterator[Finding]:
    """Yield a finding for every two parts of the disc that contradict each other."""
    facts = image.facts
    yield from _at_most(check_overlaps(facts, image.view))
    base = _base_tree(facts)
    for kind in (VolumeKind.JOLIET, VolumeKind.UDF):
        other = facts.volume(kind)
        # A tree that was cut short by damage would differ in everything it lost.
        if base is not None and other is not None and other.entries_read and other.is_complete:
            yield from _at_most(_compare_trees(base, other, _boot_places(facts)))
    yield from _at_most(check_twins(facts))
    yield from _at_most(check_twin_names(facts))
    yield from check_boot_images(facts, image.view)
    yield from _check_lost_udf(facts, image.view)


def _check_lost_udf(facts: DiscFacts, view: View) -> Iterator[Finding]:
    """Yield a finding where a UDF anchor is left, outside all files, of a volume that is not."""
    session = facts.sessions[-1]
    if facts.volume(VolumeKind.UDF) is not None or not has_first_anchor(view, session):
        return
    place = (session + FIRST_ANCHOR) * SECTOR_SIZE
    is_file = any(
        run.offset <= place < run.offset + run.length
        for volume in facts.volumes
        for folder in iter_folders(volume.entries)
        for extents in folder.iter_extents()
        for run in runs_of(extents, volume.block_size)
    )
    if not is_file:
        log = ProblemLog()
        log_unannounced(session, f"an anchor at LBA {session + FIRST_ANCHOR} alone", log)
        yield from log.findings()


def _base_tree(facts: DiscFacts) -> VolumeFacts | None:
    """Return the tree to compare others with: with Rock Ridge, moved directories are in place."""
    for kind in (VolumeKind.ROCKRIDGE, VolumeKind.ISO9660):
        volume = facts.volume(kind)
        if volume is not None and volume.is_complete:
            return volume
    return None


def _at_most(findings: Iterator[Finding]) -> Iterator[Finding]:
    last = None
    for last in islice(findings, PLACES_PER_RULE):
        yield last
    more = sum(1 for _ in findings)
    if more and last is not None:
        yield Finding(
            last.rule,
            last.severity,
            "image",
            f"{more:,} more places like these are not listed",
            remedy=last.remedy,
            source=last.source,
        )


def _boot_places(facts: DiscFacts) -> frozenset[int]:
    """Return where that begins what booting needs: writers often show it in one tree only."""
    boot = facts.boot
    if boot is None:
        return frozenset()
    lbas = {boot.catalog_lba, *(entry.load_lba for entry in boot.entries)}
    return frozenset(lba * SECTOR_SIZE for lba in lbas)


def _compare_trees(
    base: VolumeFacts, other: VolumeFacts, boot_places: frozenset[int]
) -> Iterator[Finding]:
    """Both trees of a disc are to name the same bytes, under whatever names."""
    # Bytes that UDF keeps in its own records are elsewhere for the other tree, and
    # the place of an empty file means nothing.
    embedded = set(_embedded_sizes(other))
    lacking = (
        _difference(entry, base, other)
        for entry in _not_among(base, other)
        if entry.size not in embedded and not entry.is_translation_table
    )
    differ = False
    for each in chain((_difference(one, other, base) for one in _not_among(other, base)), lacking):
        differ = True
        if each.offset not in boot_places:
            yield each
    if differ:
        return
    named, shared = _count_named(base), _count_named(other)
    if named != shared:
        yield Finding(
            "trees-agree-in-number",
            Severity.NOTE,
            "image",
            f"the {base.kind.words} tree has {named:,} files, the {other.kind.words} "
            f"tree {shared:,}, though both hold the same bytes",
            remedy="nothing, if a file was meant to have two names in one tree",
            source="common practice",
        )


def _not_among(tree: VolumeFacts, other: VolumeFacts) -> Iterator[Entry]:
    """Yield the files of a tree whose place no file of the other tree has."""
    known: set[int] = {0}
    for folder in iter_folders(other.entries):
        known.update(file_places(folder))
    for folder in iter_folders(tree.entries):
        for index, place in enumerate(file_places(folder)):
            if place not in known:
                yield folder.entry(index)


def _embedded_sizes(tree: VolumeFacts) -> Iterator[int]:
    for folder in iter_folders(tree.entries):
        if folder.extents is not None:
            columns = zip(folder.extents, folder.sizes, folder.are_folders, strict=True)
            for extents, size, is_folder in columns:
                if not is_folder and is_embedded(extents):
                    yield size


def _count_named(tree: VolumeFacts) -> int:
    """Return how many files a tree names, without lists of long names."""
    count = 0
    for folder in iter_folders(tree.entries):
        count += folder.are_folders.count(0)
        if "TRANS.TBL" in map(str.upper, folder.names):
            count -= sum(each.is_translation_table for each in folder.entries())
    return count


def _difference(entry: Entry, volume: VolumeFacts, other: VolumeFacts) -> Finding:
    lba, size = entry.extents[0].lba if entry.extents else 0, entry.size
    return Finding(
        "trees-agree",
        Severity.WARNING,
        entry.path,
        f"this file of the {volume.kind.words} tree is missing from the {other.kind.words} tree: "
        "no file there has its bytes",
        remedy="compare the image with another copy; systems that read different trees see "
        "different files",
        source="common practice",
        found=f"LBA {lba}, {size:,} bytes",
        offset=lba * volume.block_size if lba else None,
        length=size if lba else None,
    )
