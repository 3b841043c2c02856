"""Which file of one naming tree of a disc is which file of the other.

Files of both trees that are at the same place are one file. Where several files
share a place (equal contents, empty files) their folders and names decide; so they do for
bytes that UDF keeps in its own record, which have no place.
"""

from __future__ import annotations

from array import array
from collections import Counter, defaultdict
from collections.abc import Container, Iterator, Mapping, Sequence
from typing import NamedTuple

from mediashelf.collector import collector_paused
from mediashelf.formats.entries import iter_folders, list_paths
from mediashelf.formats.pairing.embedded_pairs import EmbeddedPairs, has_own_places
from mediashelf.formats.pairing.places import NO_PLACE, places_of
from mediashelf.formats.volume import Entry, VolumeFacts, VolumeKind

NO_PARTNER = -1
"""Stands for the number of a file that has none in the other tree."""


class FilePairs(NamedTuple):
    """Which files of two trees are the same, by their numbers there.

    ``partners`` has for each entry of one tree the file of the other that alone has its place,
    or :data:`NO_PARTNER`; ``shared`` are pairs of files that share a place with others.
    ``votes`` counts the files that each two folders have in common.
    """

    partners: array[int]
    shared: list[tuple[int, int]]
    votes: Counter[tuple[str, str]]

    def iter_numbers(self) -> Iterator[tuple[int, int]]:
        """Yield the numbers of each pair."""
        alone = enumerate(self.partners)
        yield from ((number, partner) for number, partner in alone if partner != NO_PARTNER)
        yield from self.shared


def pair_files(one: VolumeFacts, other: VolumeFacts) -> FilePairs:
    """Return which files of two trees are the same; column by column, without their entries."""
    partners, shared = _by_place(one, other)
    votes = _count_votes(one, other, partners)
    pairs: list[tuple[int, int]] = []
    if shared:
        folders = _folder_pairs(votes)
        for numbers, partner_numbers in shared:
            entries = {one.entries[number].path: number for number in numbers}
            others = {other.entries[number].path: number for number in partner_numbers}
            found = _pair_shared(
                [one.entries[number] for number in numbers],
                [other.entries[number] for number in partner_numbers],
                folders,
            )
            votes.update(_votes(found))
            pairs += [(entries[path], others[twin]) for path, twin in found.items()]
    found_pairs = FilePairs(partners, pairs, votes)
    udf = (each for each in (one, other) if each.kind is VolumeKind.UDF)
    if any(map(has_own_places, udf)):
        with collector_paused():
            _pair_embedded(one, other, found_pairs)
    return found_pairs


def _pair_embedded(one: VolumeFacts, other: VolumeFacts, known: FilePairs) -> None:
    """Add the pairs of which UDF keeps the bytes of one in its record."""
    embedded = EmbeddedPairs(one, other, known.iter_numbers())
    guesses: Counter[tuple[str, str]] = Counter()
    for _ in range(2):
        folders = _folder_pairs(known.votes + guesses)
        for file, twin in embedded.pair(folders):
            known.shared.append((file.number, twin.number))
            known.votes[file.folder, twin.folder] += 1
        guesses = embedded.guess_folders(_folder_pairs(known.votes))
        if not guesses:
            break


def pair_trees(
    one: VolumeFacts, other: VolumeFacts, wanted: Container[str] | None = None
) -> dict[str, str]:
    """Return paths of files in ``other`` by their paths in ``one``; files without a pair lack.

    ``wanted`` are the paths in ``one`` that are asked for, if not all.
    """
    paths: Sequence[str] | Mapping[int, str]
    kept: Container[int]
    paths = every = list_paths(one.entries)
    kept = range(len(every))
    if wanted is not None:
        paths = kept = {number: path for number, path in enumerate(every) if path in wanted}
        if not paths:
            return {}
    del every
    pairs = pair_files(one, other).iter_numbers()
    others = list_paths(other.entries)
    return {paths[number]: others[twin] for number, twin in pairs if number in kept}


def pair_folders(pairs: Mapping[str, str]) -> dict[str, str]:
    """Return paths of folders in the other tree, from the paths of their files there.

    A folder that is at another depth in the other tree, as relocated ones do,
    is known by its own files only.
    """
    return known_folders(_votes(pairs))


def known_folders(votes: Counter[tuple[str, str]]) -> dict[str, str]:
    """Return the same from the files that each two folders have in common."""
    folders = _folder_pairs(votes)
    direct = {one for one, _ in votes}
    return {
        one: other
        for one, other in folders.items()
        if one in direct or one.count("/") == other.count("/")
    }


def _by_place(
    one: VolumeFacts, other: VolumeFacts
) -> tuple[array[int], list[tuple[list[int], list[int]]]]:
    """Return the partners of files that are alone at a place, and the files of other places."""
    places: dict[int, int] = {}
    several: dict[int, list[int]] = {}
    for number, place in _iter_places(other):
        first = places.setdefault(place, number)
        if first != number:
            several.setdefault(place, [first]).append(number)
    places.pop(NO_PLACE, None)  # no place is the same as another there
    partners = array("i", [NO_PARTNER]) * len(one.entries)
    firsts = array("i", [NO_PARTNER]) * len(other.entries)  # found at its place
    shared: dict[int, list[int]] = {}
    for number, place in _iter_places(one):
        partner = places.get(place, NO_PARTNER)
        if partner == NO_PARTNER:
            continue
        first = firsts[partner]
        if first == NO_PARTNER:
            firsts[partner] = number
            if place in several:
                shared[place] = [number]
            else:
                partners[number] = partner
        else:
            shared.setdefault(place, [first]).append(number)
            partners[first] = NO_PARTNER
    return partners, sorted(
        (numbers, several.get(place, [places[place]])) for place, numbers in shared.items()
    )


def _iter_places(volume: VolumeFacts) -> Iterator[tuple[int, int]]:
    """Yield the number of each file, and its place. Empty files share one: writers record any."""
    start = 0
    for folder in iter_folders(volume.entries):
        numbers = range(start, start + len(folder.names))
        places = places_of(folder, volume.block_size)
        yield from zip(folder.of_files(numbers), folder.of_files(places), strict=True)
        start = numbers.stop


def _count_votes(
    one: VolumeFacts, other: VolumeFacts, partners: array[int]
) -> Counter[tuple[str, str]]:
    paths: list[str] = []
    parents = array("I")  # of each entry of the other tree
    for number, folder in enumerate(iter_folders(other.entries)):
        paths.append(folder.path or "/")
        parents.extend([number] * len(folder.names))
    votes: Counter[tuple[str, str]] = Counter()
    start = 0
    for folder in iter_folders(one.entries):
        of_folder = partners[start : start + len(folder.names)]
        found = Counter(parents[partner] for partner in of_folder if partner != NO_PARTNER)
        for number, count in found.items():
            votes[folder.path or "/", paths[number]] += count
        start += len(folder.names)
    return votes


def _votes(pairs: Mapping[str, str]) -> Counter[tuple[str, str]]:
    """Count the files that each two folders have in common."""
    return Counter(zip(map(_parent, pairs), map(_parent, pairs.values()), strict=True))


def _folder_pairs(votes: Counter[tuple[str, str]]) -> dict[str, str]:
    """Return the folder in the other tree for each folder: the one with most files in common.

    Parents follow from their children, so that a folder of shared files alone is
    known by the folders below it.
    """
    folders: dict[str, str] = {"/": "/"}
    waiting = [pair for pair, _ in votes.most_common()]
    for one, other in waiting:
        while one not in folders:
            folders[one] = other
            one, other = _parent(one), _parent(other)
    return folders


def _parent(path: str) -> str:
    return path.rpartition("/")[0] or "/"


def _pair_shared(
    entries: list[Entry], others: list[Entry], folders: dict[str, str]
) -> dict[str, str]:
    """Pair files that share one place: by folder and name, then by folder, then in order."""
    pairs: dict[str, str] = {}
    left = {other.path: other for other in others}

    def take(entry: Entry, path: str) -> None:
        pairs[entry.path] = path
        del left[path]

    by_name: dict[tuple[str, str], str] = {}
    for other in others:
        by_name.setdefault((other.parent, _plain(other.name)), other.path)
    for entry in entries:
        path = by_name.get((folders.get(entry.parent, ""), _plain(entry.name)), "")
        if path in left:
            take(entry, path)
    rest: defaultdict[tuple[str, str], list[str]] = defaultdict(list)
    for path, other in sorted(left.items(), reverse=True):
        rest[other.parent, _extension(other.name)].append(path)
    unpaired = sorted(entry for entry in entries if entry.path not in pairs)
    for entry in unpaired:
        waiting = rest.get((folders.get(entry.parent, ""), _extension(entry.name)), [])
        if waiting:
            take(entry, waiting.pop())
    # Whatever folder is left has no other file that would tell its name.
    remaining = [entry for entry in unpaired if entry.path not in pairs]
    if len(remaining) == len(left):
        for entry, path in zip(remaining, sorted(left), strict=True):
            pairs[entry.path] = path
    return pairs


def _plain(name: str) -> str:
    return name.upper()


def _extension(name: str) -> str:
    """Return the extension as a short name would have it."""
    return name.upper().rpartition(".")[2][:3] if "." in name else ""
