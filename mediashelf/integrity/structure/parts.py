"""Do the parts of a disc fit together: extents that overlap, trees that differ, boot sectors.

What one structure says wrong of itself is found by the reader
(:attr:`mediashelf.image.DiscImage.findings`); here its parts are compared with
each other. No contents of files are read.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import islice
from typing import Protocol

from mediashelf.findings import Finding, Severity
from mediashelf.formats.entries import iter_folders
from mediashelf.formats.fields import View
from mediashelf.formats.pairing.tree_differences import find_lacking
from mediashelf.formats.problem_log import ProblemLog
from mediashelf.formats.udf.recognition import FIRST_ANCHOR, has_first_anchor, log_unannounced
from mediashelf.formats.volume import (
    SECTOR_SIZE,
    DiscFacts,
    Entry,
    Extent,
    VolumeFacts,
    VolumeKind,
    is_notice,
)
from mediashelf.integrity.structure.boot_images import check_boot_images
from mediashelf.integrity.structure.damage import runs_of
from mediashelf.integrity.structure.overlaps import check_overlaps
from mediashelf.integrity.structure.twin_names import check_twin_names
from mediashelf.integrity.structure.twins import check_twins
from mediashelf.text import count_text

PLACES_PER_RULE = 100
"""How many findings of one rule are given; the rest are counted in the last one."""

_TABLE = "TRANS.TBL"


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
    base, joliet, udf = _base_tree(facts), *map(facts.volume, (VolumeKind.JOLIET, VolumeKind.UDF))
    for other, between in ((joliet, None), (udf, joliet)):
        # A tree that was cut short by damage would differ in everything it lost.
        if base is not None and other is not None and other.entries_read and other.is_complete:
            yield from _at_most(_compare_trees(base, other, between, _boot_places(facts)))
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
    base: VolumeFacts,
    other: VolumeFacts,
    between: VolumeFacts | None,
    boot_places: frozenset[int],
) -> Iterator[Finding]:
    """Both trees of a disc are to name the same bytes, under whatever names."""
    differences = [
        *_iter_differences(other, base, between),
        *(
            (entry, finding)
            for entry, finding in _iter_differences(base, other, between)
            if not entry.is_translation_table
        ),
    ]
    if is_notice(base, other) and base.entries[0] in (entry for entry, _ in differences):
        yield _notice(base, other)
        return
    yield from (each for _, each in differences if each.offset not in boot_places)
    named, shared = _count_files(base), _count_files(other)
    if not differences and named != shared:
        yield Finding(
            "trees-agree-in-number",
            Severity.NOTE,
            "image",
            f"the {base.kind.words} tree has {named:,} files, the {other.kind.words} "
            f"tree {shared:,}, though both hold the same bytes",
            remedy="nothing, if a file was meant to have two names in one tree",
            source="common practice",
        )


def _notice(base: VolumeFacts, other: VolumeFacts) -> Finding:
    return Finding(
        "trees-agree-in-number",
        Severity.NOTE,
        base.entries[0].path,
        f"the {base.kind.words} tree has this file alone, and the {other.kind.words} tree "
        f"{count_text(_count_files(other), 'other')}: a notice for systems that read no UDF",
        remedy="nothing, if the disc is for systems that read UDF",
        source="common practice",
    )


def _iter_differences(
    volume: VolumeFacts, other: VolumeFacts, between: VolumeFacts | None
) -> Iterator[tuple[Entry, Finding]]:
    lacking = find_lacking(volume, other, between)
    for number in lacking.surely:
        yield volume.entries[number], _missing(volume.entries[number], volume, other)
    for number in lacking.maybe:
        yield volume.entries[number], _unclear(volume.entries[number], volume, other)


def _count_files(volume: VolumeFacts) -> int:
    """Count the files but for translation tables."""
    count = 0
    for folder in iter_folders(volume.entries):
        names = folder.of_files(folder.names)
        count += len(names)
        if _TABLE in "/".join(names).upper():  # as in next to none
            count -= [name.upper() for name in names].count(_TABLE)
    return count


def _missing(entry: Entry, volume: VolumeFacts, other: VolumeFacts) -> Finding:
    lba, offset = _beginning(entry, volume)
    return Finding(
        "trees-agree",
        Severity.WARNING,
        entry.path,
        f"this file of the {volume.kind.words} tree is missing from the {other.kind.words} tree: "
        "no file there is known to have its bytes",
        remedy="compare the image with another copy; systems that read different trees see "
        "different files",
        source="common practice",
        found=f"LBA {lba}, {entry.size:,} bytes",
        offset=offset,
        length=entry.size if offset is not None else None,
    )


def _unclear(entry: Entry, volume: VolumeFacts, other: VolumeFacts) -> Finding:
    """Name a file that another may be: UDF keeps bytes in its records, which tell no place."""
    _, offset = _beginning(entry, volume)
    return Finding(
        "trees-agree-unclear",
        Severity.NOTE,
        entry.path,
        f"whether the {other.kind.words} tree has this file of the {volume.kind.words} tree is "
        "not known: a file of its size is there under another name or in another folder, and UDF "
        "keeps the bytes of one of them in its own record",
        remedy="compare both files, if you need this one",
        source="own behaviour",
        found=f"{entry.size:,} bytes",
        offset=offset,
        length=entry.size if offset is not None else None,
    )


def _beginning(entry: Entry, volume: VolumeFacts) -> tuple[int, int | None]:
    """Return the block of a file's first byte, and its offset in the image where that is known.

    Of UDF, the bytes may be in the file's record, or partly nowhere.
    """
    first = entry.extents[0] if entry.extents else Extent(0, 0)
    lba = max(first.lba, 0)
    return lba, lba * volume.block_size + first.offset if lba else None
