"""Which files of one naming tree of a disc another tree lacks, as far as that can be told.

Nothing is read but records: files of both trees that are at the same place are one file. Bytes
that UDF keeps in its own record have no place in the other tree; sizes and names decide there.
"""

from __future__ import annotations

from collections import Counter
from typing import NamedTuple

from mediashelf.formats.entries import OWN_PLACE, iter_folders
from mediashelf.formats.pairing.embedded_pairs import has_own_places
from mediashelf.formats.volume import VolumeFacts


class _File(NamedTuple):
    number: int
    place: int
    size: int
    name: str  # in capitals


def find_lacking(volume: VolumeFacts, other: VolumeFacts) -> list[int]:
    """Return the numbers of the files of ``volume`` whose bytes no file of ``other`` has.

    Empty files are left out. Where bytes are kept in a record of UDF a file of the same size
    may be it; that of the same name first, one for each.
    """
    lacking = _not_at(volume, _places(other))
    if not lacking:
        return []
    if has_own_places(other) or any(map(_has_own_place, lacking)):
        lacking = _without_likely(lacking, _not_at(other, _places(volume)), other)
    return [file.number for file in lacking]


def _places(volume: VolumeFacts) -> set[int]:
    """Return where the files of a tree are; one number each, as there can be a million."""
    places: set[int] = {0}  # as far as trees differ, that of an empty file means nothing
    for folder in iter_folders(volume.entries):
        places.update(folder.of_files(folder.places(volume.block_size)))
    places.discard(OWN_PLACE)
    return places


def _not_at(volume: VolumeFacts, others: set[int]) -> list[_File]:
    """Return the files whose place none of the others has."""
    found: list[_File] = []
    start = 0
    for folder in iter_folders(volume.entries):
        places = folder.places(volume.block_size)
        if not others.issuperset(folder.of_files(places)):
            found += [
                _File(start + number, place, folder.sizes[number], folder.names[number].upper())
                for number, place in enumerate(places)
                if place not in others and not folder.are_folders[number]
            ]
        start += len(places)
    return found


def _without_likely(lacking: list[_File], spare: list[_File], other: VolumeFacts) -> list[_File]:
    """Leave out the files that one of the other tree's may be, as places do not tell of it.

    ``spare`` are the files of the other tree that no place has paired off.
    """
    of_name = Counter((file.size, file.name) for file in spare if file.place == OWN_PLACE)
    of_size = Counter(file.size for file in spare if file.place == OWN_PLACE)
    every_size = Counter(file.size for file in spare)
    # A second name of bytes that are elsewhere in the other tree is paired off already.
    known = _names_and_sizes(other) if any(map(_has_own_place, lacking)) else set()
    rest: list[_File] = []
    for file in lacking:
        key = file.size, file.name
        if of_name[key]:
            of_name[key] -= 1
            of_size[file.size] -= 1
            every_size[file.size] -= 1
        elif _has_own_place(file) and key in known:
            every_size[file.size] -= 1
        else:
            rest.append(file)
    return [
        file for file in rest if (every_size if _has_own_place(file) else of_size)[file.size] <= 0
    ]


def _has_own_place(file: _File) -> bool:
    return file.place == OWN_PLACE


def _names_and_sizes(volume: VolumeFacts) -> set[tuple[int, str]]:
    return {
        (size, name.upper())
        for folder in iter_folders(volume.entries)
        for size, name in zip(
            folder.of_files(folder.sizes), folder.of_files(folder.names), strict=True
        )
    }
