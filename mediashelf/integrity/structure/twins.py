"""Do the two records of one file or folder, in the ISO 9660 and the Joliet tree, agree?"""

from __future__ import annotations

from collections.abc import Iterator

from mediashelf.findings import Finding, Severity
from mediashelf.formats.entries import iter_folders
from mediashelf.formats.pairing.tree_pairs import pair_folders, pair_trees
from mediashelf.formats.volume import DiscFacts, Entry, VolumeFacts, VolumeKind

_FLAGS = {
    0x01: "hidden",
    0x02: "directory",
    0x04: "associated file",
    0x08: "record",
    0x10: "protection",
    0x80: "more sections follow",
}  # ECMA-119 9.1.6


def check_twins(facts: DiscFacts) -> Iterator[Finding]:
    """Yield a finding for every file or folder whose flags or dates differ between the trees."""
    iso, joliet = _tree(facts, VolumeKind.ISO9660), _tree(facts, VolumeKind.JOLIET)
    if iso is None or joliet is None:
        return
    if _told(iso) == _told(joliet):
        return  # as on most discs
    pairs = pair_trees(iso, joliet)
    pairs = {**pairs, **pair_folders(pairs)}
    others = {entry.path: entry for entry in joliet.entries}
    for entry in iso.entries:
        other = others.get(pairs.get(entry.path, ""))
        if other is not None and other.flags != entry.flags:
            yield _other_flags(entry, other)
        if other is not None and other.date != entry.date:
            yield _other_date(entry, other)


def _told(tree: VolumeFacts) -> set[tuple[int, bytes]]:
    told: set[tuple[int, bytes]] = set()
    for folder in iter_folders(tree.entries):
        told.update(zip(folder.flags, folder.dates, strict=True))
    return told


def _tree(facts: DiscFacts, kind: VolumeKind) -> VolumeFacts | None:
    """Return the tree, unless damage kept something of it from being read."""
    trees = (tree for tree in facts.volumes if tree.kind is kind and not tree.is_enhanced)
    return next((tree for tree in trees if tree.is_complete), None)


def _other_flags(entry: Entry, other: Entry) -> Finding:
    return Finding(
        "twin-flags-agree",
        Severity.WARNING,
        entry.path,
        "its file flags are not those of its record in the Joliet tree, where it is "
        f"{other.path}; systems that read different trees treat it differently",
        remedy="compare the image with another copy",
        source="own behaviour; the flags are those of ECMA-119 9.1.6",
        found=_words(entry.flags),
        expected=_words(other.flags),
        offset=entry.record_offset + 25 if entry.record_offset >= 0 else None,
        length=1 if entry.record_offset >= 0 else None,
    )


def _other_date(entry: Entry, other: Entry) -> Finding:
    return Finding(
        "twin-dates-agree",
        Severity.NOTE,
        entry.path,
        f"its date is not that of its record in the Joliet tree, where it is {other.path}",
        remedy="compare the image with another copy, if the date matters",
        source="measured: equal for every file and folder of 26 images by several programs; the "
        "date is that of ECMA-119 9.1.5",
        found=_date_words(entry),
        expected=_date_words(other),
        offset=entry.record_offset + 18 if entry.record_offset >= 0 else None,
        length=7 if entry.record_offset >= 0 else None,
    )


def _date_words(entry: Entry) -> str:
    moment = entry.modified
    return f"bytes {entry.date.hex(' ')}" if moment is None else f"{moment:%Y-%m-%d %H:%M:%S %Z}"


def _words(flags: int) -> str:
    names = [name for bit, name in _FLAGS.items() if flags & bit]
    return f"{flags:#04x} ({', '.join(names) or 'none set'})"
