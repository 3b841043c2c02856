"""Which files of one naming tree of a disc another tree lacks, as far as that can be told.

Nothing is read but records: files of both trees that are at the same place are one file. Bytes
that UDF keeps in its own record have no place in the other tree; what pairs files tells of them.
"""

from __future__ import annotations

from collections import Counter
from typing import NamedTuple

from mediashelf.formats.entries import iter_folders
from mediashelf.formats.pairing.embedded_pairs import has_own_places
from mediashelf.formats.pairing.places import NO_PLACE, places_of
from mediashelf.formats.pairing.tree_pairs import pair_files
from mediashelf.formats.volume import VolumeFacts


class Lacking(NamedTuple):
    """Numbers of files of a tree that the other one lacks, and of those that it may lack.

    Of the second the other tree has enough files of the same size whose bytes may be theirs.
    """

    surely: list[int]
    maybe: list[int]


class _File(NamedTuple):
    number: int
    place: int
    size: int
    name: str  # in capitals


def find_lacking(
    volume: VolumeFacts, other: VolumeFacts, between: VolumeFacts | None = None
) -> Lacking:
    """Return the files of ``volume`` whose bytes no file of ``other`` has, as far as is known.

    Empty files are left out. Of bytes that are kept in a record of UDF :func:`.pair_files` says
    which file of the other tree has them; a third tree, ``between``, tells it where its names are
    as long as those of UDF.
    """
    lacking = _not_at(volume, _places(other))
    if lacking and (has_own_places(other) or any(map(_has_own_place, lacking))):
        return _without_pairs(lacking, volume, other, between)
    return Lacking([file.number for file in lacking], [])


def _places(volume: VolumeFacts) -> set[int]:
    """Return where the files of a tree are; one number each, as there can be a million."""
    places: set[int] = {0}  # as far as trees differ, that of an empty file means nothing
    for folder in iter_folders(volume.entries):
        places.update(folder.of_files(places_of(folder, volume.block_size)))
    places.discard(NO_PLACE)
    return places


def _not_at(volume: VolumeFacts, others: set[int]) -> list[_File]:
    """Return the files whose place none of the others has."""
    found: list[_File] = []
    start = 0
    for folder in iter_folders(volume.entries):
        places = places_of(folder, volume.block_size)
        if not others.issuperset(folder.of_files(places)):
            found += [
                _File(start + number, place, folder.sizes[number], folder.names[number].upper())
                for number, place in enumerate(places)
                if place not in others and not folder.are_folders[number]
            ]
        start += len(places)
    return found


def _without_pairs(
    lacking: list[_File], volume: VolumeFacts, other: VolumeFacts, between: VolumeFacts | None
) -> Lacking:
    """Leave out the files that have a partner, and part those that may be one of some others."""
    partners = dict(pair_files(volume, other).iter_numbers())
    if between is not None and any(file.number not in partners for file in lacking):
        others = dict(pair_files(between, other).iter_numbers())
        for number, middle in pair_files(volume, between).iter_numbers():
            if middle in others:
                partners.setdefault(number, others[middle])
    lacking = [file for file in lacking if file.number not in partners]
    taken = frozenset(partners.values())
    spare = [file for file in _not_at(other, _places(volume)) if file.number not in taken]
    every_size = Counter(file.size for file in spare)
    of_size = Counter(file.size for file in spare if _has_own_place(file))
    wanted = Counter((_has_own_place(file), file.size) for file in lacking)
    # Bytes that have a place in both trees may be kept in a record a second time.
    known = _names_and_sizes(other) if any(map(_has_own_place, lacking)) else set()
    answer = Lacking([], [])
    for file in lacking:
        is_own = _has_own_place(file)
        likely = (every_size if is_own else of_size)[file.size]
        is_maybe = likely >= wanted[is_own, file.size] or (
            is_own and (file.size, file.name) in known
        )
        (answer.maybe if is_maybe else answer.surely).append(file.number)
    return answer


def _has_own_place(file: _File) -> bool:
    return file.place == NO_PLACE


def _names_and_sizes(volume: VolumeFacts) -> set[tuple[int, str]]:
    return {
        (size, name.upper())
        for folder in iter_folders(volume.entries)
        for size, name in zip(
            folder.of_files(folder.sizes), folder.of_files(folder.names), strict=True
        )
    }
