"""Which file of one naming tree of a disc is which file of the other.

Files of both trees that are at the same place are one file. Where several files
share a place (equal contents, empty files) their folders and names decide.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence

from mediashelf.formats.volume import Entry, VolumeFacts

_Place = tuple[int, int, int]


def pair_trees(one: VolumeFacts, other: VolumeFacts) -> dict[str, str]:
    """Return paths of files in ``other`` by their paths in ``one``; files without a pair lack."""
    alone, several = _by_place(one.files)
    other_alone, other_several = _by_place(other.files)
    pairs: dict[str, str] = {}
    shared: list[tuple[list[Entry], list[Entry]]] = []
    for place, entry in alone.items():
        found = other_alone.get(place)
        if found is None:
            continue
        if place in several or place in other_several:
            shared.append((several.get(place, [entry]), other_several.get(place, [found])))
        else:
            pairs[entry[0]] = found[0]
    if shared:
        folders = _folder_pairs(_votes(pairs))
        for entries, others in shared:
            pairs.update(_pair_shared(entries, others, folders))
    return pairs


def pair_folders(pairs: Mapping[str, str]) -> dict[str, str]:
    """Return paths of folders in the other tree, from the paths of their files there.

    A folder that is at another depth in the other tree, as relocated ones do,
    is known by its own files only.
    """
    votes = _votes(pairs)
    folders = _folder_pairs(votes)
    direct = {one for one, _ in votes}
    return {
        one: other
        for one, other in folders.items()
        if one in direct or one.count("/") == other.count("/")
    }


def _by_place(entries: Sequence[Entry]) -> tuple[dict[_Place, Entry], dict[_Place, list[Entry]]]:
    """Return one entry of each place, and of places that several share all of them."""
    # By number, as there can be 100,000 entries. An empty file has no place of its own:
    # writers record any block number.
    places = [
        (extents[0][0], extents[0][2], size) if extents and size else (-1, 0, size)
        for _, _, size, _, extents, _, _, _ in entries
    ]
    alone = dict(zip(places, entries, strict=True))
    several: dict[_Place, list[Entry]] = {}
    if len(alone) < len(entries):
        counts = Counter(places)
        for place, entry in zip(places, entries, strict=True):
            if counts[place] > 1:
                several.setdefault(place, []).append(entry)
    return alone, several


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
