"""Are the names of one file in several trees the same name, but for one damaged character?

Trees name the same bytes, each in its own characters: ISO 9660 in capitals and shortened,
Joliet and Rock Ridge as they were. Names have no checksum, so one tree is the check of the
other. What writers do to names on purpose differs in more than one character, or puts in
``_`` or a digit; that is left alone here. All this is our own behaviour.
"""

from __future__ import annotations

from bisect import bisect_right
from collections import Counter
from collections.abc import Iterator
from itertools import compress, pairwise

from mediashelf.findings import Finding, Severity
from mediashelf.formats.entries import Folder, iter_folders
from mediashelf.formats.iso.joliet import find_forbidden
from mediashelf.formats.pairing.places import places_of
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
    for number, name, twin in _pairs(one, other):
        # Equal, as most are in trees of long names.
        if name == twin or (is_short and name.upper() == twin.upper()):
            equal_count += 1
        elif len(name) == len(twin) and _is_one_damaged(name, twin, is_short=is_short):
            odd.append((one.entries[number], name, twin))
    if not odd or len(odd) > equal_count:
        return []
    wanted = {_place(entry, one) for entry, *_ in odd if not entry.is_directory}
    counts: Counter[int] = Counter()
    for folder in iter_folders(other.entries):
        places = folder.of_files(places_of(folder, other.block_size))
        counts.update(place for place in places if place in wanted)
    return [pair for pair in odd if pair[0].is_directory or counts[_place(pair[0], one)] == 1]


_SEVERAL = -1


def _pairs(one: VolumeFacts, other: VolumeFacts) -> Iterator[tuple[int, str, str]]:
    """Yield the files of a tree that alone have their place, and the folders that they are in.

    Each is its number, with its name and that of its twin in the other tree.
    """
    # One number a place, and one tree at a time: a disc may have a million files.
    places: dict[int, int] = {}
    names: list[str] = []
    starts: list[int] = []
    paths: list[str] = []
    folders: dict[str, int] = {}
    for folder in iter_folders(one.entries):
        start = len(names)
        starts.append(start)
        paths.append(folder.path)
        names += folder.names
        numbers = range(start, len(names))
        found = folder.of_files(places_of(folder, one.block_size))
        for place, number in zip(found, folder.of_files(numbers), strict=True):
            if place > 0:
                places[place] = _SEVERAL if place in places else number
        if folder.has_folders:
            columns = zip(folder.iter_paths(), numbers, strict=True)
            folders.update(compress(columns, folder.are_folders))
    for folder in iter_folders(other.entries):
        found = folder.of_files(places_of(folder, other.block_size))
        for place, twin in zip(found, folder.of_files(folder.names), strict=True):
            number = places.pop(place, _SEVERAL)
            if number == _SEVERAL:
                continue
            name = names[number]
            yield number, name, twin
            parent, path = paths[bisect_right(starts, number) - 1], folder.path
            if name == twin and parent == path:
                continue
            path = path or "/"
            while parent in folders and parent.count("/") == path.count("/"):
                number = folders.pop(parent)
                yield number, names[number], path.rpartition("/")[2]
                parent, path = parent.rpartition("/")[0], path.rpartition("/")[0]


def _place(entry: Entry, tree: VolumeFacts) -> int:
    return places_of(Folder.of("", [entry]), tree.block_size)[0]


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
