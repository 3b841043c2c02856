"""Are the names of one file in several trees the same name, but for one damaged character?

Trees name the same bytes, each in its own characters: ISO 9660 in capitals and shortened,
Joliet and Rock Ridge as they were. Names have no checksum, so one tree is the check of the
other. What writers do to names on purpose differs in more than one character, or puts in
``_`` or a digit; that is left alone here. All this is our own behaviour.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from itertools import pairwise

from mediashelf.findings import Finding, Severity
from mediashelf.formats.iso.joliet import find_forbidden
from mediashelf.formats.volume import DiscFacts, Entry, VolumeFacts, VolumeKind

_SHORT = VolumeKind.ISO9660
_KINDS = (VolumeKind.ISO9660, VolumeKind.JOLIET, VolumeKind.ROCKRIDGE, VolumeKind.UDF)

_Pair = tuple[Entry, str, str]  # what is named, its name there, and its name in the other tree


def check_twin_names(facts: DiscFacts) -> Iterator[Finding]:
    """Yield a finding for each file or folder whose names differ in one character."""
    trees = [
        tree
        for kind in _KINDS
        for tree in facts.volumes
        if tree.kind is kind and not tree.is_enhanced and tree.is_complete and tree.entries_read
    ]
    told: set[tuple[int, str]] = set()
    # Each tree is compared with its neighbour: what is damaged in one shows there.
    for one, other in pairwise(trees):
        for entry, name, twin in _differing(one, other):
            place = entry.record_offset, "" if entry.record_offset >= 0 else entry.path
            if place not in told:
                told.add(place)
                yield _finding(entry, name, twin, other)


def _differing(one: VolumeFacts, other: VolumeFacts) -> list[_Pair]:
    """Return what is named alike but for one character, unless that is how the trees were made."""
    is_short = one.kind is _SHORT
    odd: list[_Pair] = []
    equal_count = 0
    for entry, path in _pairs(one, other):
        if entry.path == path:  # as most are in trees of long names
            equal_count += 1
            continue
        name, twin = entry.name, path.rpartition("/")[2]
        if name == twin or (is_short and name.upper() == twin.upper()):
            equal_count += 1
        elif len(name) == len(twin) and _is_one_damaged(name, twin, is_short=is_short):
            odd.append((entry, name, twin))
    if not odd or len(odd) > equal_count:
        return []
    wanted = {_place(entry) for entry, *_ in odd if not entry.is_directory}
    counts = Counter(place for place in _places(other.files) if place in wanted)
    return [pair for pair in odd if pair[0].is_directory or counts[_place(pair[0])] == 1]


def _pairs(one: VolumeFacts, other: VolumeFacts) -> Iterator[tuple[Entry, str]]:
    """Yield the files of a tree that alone have their place, and the folders that they are in.

    With each comes the path of its twin in the other tree.
    """
    # One number a place, and one tree at a time: a disc may have a million files.
    places: dict[int, Entry | None] = {}
    files = one.files
    for place, entry in zip(_places(files), files, strict=True):
        if place:
            places[place] = None if place in places else entry
    folders = {entry.path: entry for entry in one.entries if entry.is_directory}
    files = other.files
    for place, twin in zip(_places(files), files, strict=True):
        found = places.pop(place, None)
        if found is None:
            continue
        yield found, twin.path
        if found.path == twin.path:
            continue
        parent, path = found.parent, twin.parent
        while parent in folders and parent.count("/") == path.count("/"):
            folder = folders.pop(parent)
            yield folder, path
            parent, path = folder.parent, path.rpartition("/")[0]


def _place(entry: Entry) -> int:
    """Return where a file's bytes are and how many, as one number; 0 where that says nothing."""
    return _places([entry])[0]


def _places(entries: Sequence[Entry]) -> list[int]:
    """Return the place of each entry; all at once, as there can be 100,000 entries."""
    return [
        extents[0][0] << 64 | size if size and extents and not extents[0][2] else 0
        for _, _, size, _, extents, _, _, _ in entries
    ]


def _is_one_damaged(name: str, twin: str, *, is_short: bool) -> bool:
    """Tell whether names of one length differ in one character that no writer replaces."""
    differing = [
        (one, other)
        for one, other in zip(name, twin, strict=True)
        if one != other and not (is_short and one.upper() == other.upper())
    ]
    if len(differing) != 1:
        return False
    ((one, other),) = differing
    if one == "_":
        return False
    if is_short:
        # A letter with a mark becomes the letter; half a 16-bit character becomes any other.
        low, high = chr(ord(other) & 0xFF), ord(other) >> 8
        is_half = low.upper() == one.upper() and high.bit_count() == 1
        return not one.isdigit() and (other.isascii() or is_half)
    is_allowed = not find_forbidden(other) and ord(other) <= 0xFFFF
    # Where both are outside ASCII, the name may be in another code page.
    return is_allowed and (one.isascii() or other.isascii())


def _finding(entry: Entry, name: str, twin: str, other: VolumeFacts) -> Finding:
    has_place = entry.record_offset >= 0
    return Finding(
        "twin-names-agree",
        Severity.WARNING,
        entry.path,
        f"its name differs in one character from the name in the {other.kind.words} tree; one "
        "of them may be damaged",
        remedy="compare the image with another copy",
        source="own behaviour",
        found=repr(name),
        expected=repr(twin),
        offset=entry.record_offset if has_place else None,
        length=33 if has_place else None,
    )
