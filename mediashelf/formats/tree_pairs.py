"""Which file of one naming tree of a disc is which file of the other.

Files of both trees that are at the same place are one file. Where several files
share a place (equal contents, empty files) their folders and names decide.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping

from mediashelf.formats.volume import Entry, Extent, VolumeFacts

_Place = tuple[int, int, int]
_NOWHERE = Extent(-1, 0)


def pair_trees(one: VolumeFacts, other: VolumeFacts) -> dict[str, str]:
    """Return paths of files in ``other`` by their paths in ``one``; files without a pair lack."""
    places = _by_place(one.files)
    other_places = _by_place(other.files)
    pairs: dict[str, str] = {}
    votes: Counter[tuple[str, str]] = Counter()
    shared: list[tuple[list[Entry], list[Entry]]] = []
    for place, entries in places.items():
        others = other_places.get(place, [])
        if len(entries) == 1 and len(others) == 1:
            path, other_path = entries[0][0], others[0][0]
            pairs[path] = other_path
            votes[_parent(path), _parent(other_path)] += 1
        elif others:
            shared.append((entries, others))
    folders = _folder_pairs(votes)
    for entries, others in shared:
        pairs.update(_pair_shared(entries, others, folders))
    return pairs


def pair_folders(pairs: Mapping[str, str]) -> dict[str, str]:
    """Return paths of folders in the other tree, from the paths of their files there.

    A folder that is at another depth in the other tree, as relocated ones do,
    is known by its own files only.
    """
    votes = Counter((_parent(one), _parent(other)) for one, other in pairs.items())
    folders = _folder_pairs(votes)
    direct = {one for one, _ in votes}
    return {
        one: other
        for one, other in folders.items()
        if one in direct or one.count("/") == other.count("/")
    }


def _by_place(entries: Iterable[Entry]) -> dict[_Place, list[Entry]]:
    places: defaultdict[_Place, list[Entry]] = defaultdict(list)
    for entry in entries:
        # An empty file has no place of its own: writers record any block number.
        extents, size = entry[4], entry[2]  # by number, as there can be 100,000 entries
        lba, _, offset = extents[0] if extents and size else _NOWHERE
        places[lba, offset, size].append(entry)
    return places


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
