"""Which file of another tree is one whose bytes UDF keeps in its own record.

Such bytes have no place, so folder, name and size decide (own behaviour).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Hashable, Iterable, Iterator, Mapping
from typing import NamedTuple

from mediashelf.formats.entries import iter_folders
from mediashelf.formats.pairing.places import NO_PLACE, places_of
from mediashelf.formats.volume import VolumeFacts


class SpareFile(NamedTuple):
    """A file that no place has paired."""

    number: int
    folder: str
    name: str  # in capitals
    size: int
    is_own: bool


def has_own_places(volume: VolumeFacts) -> bool:
    """Whether some file has bytes that no other tree can name, as UDF keeps them in its record."""
    return any(
        NO_PLACE in folder.of_files(places_of(folder, volume.block_size))
        for folder in iter_folders(volume.entries)
        if folder.extents is not None
    )


class EmbeddedPairs:
    """The files of two trees that places leave, until folder, name and size have paired them.

    ``known`` are the numbers of the pairs that places have found. Of the two files of a pair
    one has its bytes in its own record.
    """

    def __init__(
        self, one: VolumeFacts, other: VolumeFacts, known: Iterable[tuple[int, int]]
    ) -> None:
        taken, taken_there = bytearray(len(one.entries)), bytearray(len(other.entries))
        for number, partner in known:
            taken[number] = taken_there[partner] = True
        self._left, self._left_there = _spare(one, taken), _spare(other, taken_there)
        self._folders, self._folders_there = _folders(one), _folders(other)

    def pair(self, folders: Mapping[str, str]) -> Iterator[tuple[SpareFile, SpareFile]]:
        """Yield pairs of files; ``folders`` are folders of the other tree by those of the one.

        A file of the same name and size in the same folder is it; else the only one there of its
        size and extension.
        """
        own = {one: folders.get(one, one).upper() for one in {file.folder for file in self._left}}
        there = {one: one.upper() for one in {file.folder for file in self._left_there}}
        for name_of in (_name, _extension):
            found = list(
                _iter_only(
                    ((own[file.folder], file.size, name_of(file)) for file in self._left),
                    self._left,
                    ((there[file.folder], file.size, name_of(file)) for file in self._left_there),
                    self._left_there,
                )
            )
            yield from found
            if found:
                paired = {file.number for file, _ in found}
                partners = {partner.number for _, partner in found}
                self._left = [file for file in self._left if file.number not in paired]
                self._left_there = [
                    file for file in self._left_there if file.number not in partners
                ]

    def guess_folders(self, folders: Mapping[str, str]) -> Counter[tuple[str, str]]:
        """Count the files that two folders seem to have in common, where nothing else tells.

        In folders of which neither their path nor a file at its place tells, a file is the only
        one of its name and size, or the only one of its extension and size.
        """
        told = self._folders.difference(map(str.upper, folders))
        told.update(map(str.upper, folders.values()))
        lost = [
            file
            for file in self._left
            if file.folder not in folders and file.folder.upper() not in self._folders_there
        ]
        there = [file for file in self._left_there if file.folder.upper() not in told]
        votes: Counter[tuple[str, str]] = Counter()
        for name_of in (_name, _extension) if lost else ():
            votes.update(
                (file.folder, twin.folder)
                for file, twin in _iter_only(
                    ((file.size, name_of(file)) for file in lost),
                    lost,
                    ((file.size, name_of(file)) for file in there),
                    there,
                )
            )
        return votes


def _folders(volume: VolumeFacts) -> set[str]:
    return {(folder.path or "/").upper() for folder in iter_folders(volume.entries)}


def _spare(volume: VolumeFacts, taken: bytearray) -> list[SpareFile]:
    found: list[SpareFile] = []
    start = 0
    for folder in iter_folders(volume.entries):
        path, end = folder.path or "/", start + len(folder.names)
        if 0 in taken[start:end]:
            places = places_of(folder, volume.block_size)
            columns = zip(
                range(start, end),
                folder.names,
                folder.sizes,
                folder.are_folders,
                places,
                strict=True,
            )
            found += [
                SpareFile(number, path, name.upper(), size, place == NO_PLACE)
                for number, name, size, is_folder, place in columns
                if size and not is_folder and not taken[number]
            ]
        start = end
    return found


def _iter_only(
    keys: Iterable[Hashable],
    files: Iterable[SpareFile],
    other_keys: Iterable[Hashable],
    others: Iterable[SpareFile],
) -> Iterator[tuple[SpareFile, SpareFile]]:
    """Yield files that are alone with their key, in both trees; the bytes of one are its own."""
    known = _alone(other_keys, others)
    for key, file in _alone(keys, files).items():
        twin = known.get(key)
        if twin is not None and file is not None and file.is_own != twin.is_own:
            yield file, twin


def _alone(
    keys: Iterable[Hashable], files: Iterable[SpareFile]
) -> dict[Hashable, SpareFile | None]:
    """Return the only file with each key, None where there are several."""
    found: dict[Hashable, SpareFile | None] = {}
    for key, file in zip(keys, files, strict=True):
        found[key] = None if key in found else file
    return found


def _name(file: SpareFile) -> str:
    return file.name


def _extension(file: SpareFile) -> str:
    """Return the extension as a short name would have it."""
    return file.name.rpartition(".")[2][:3] if "." in file.name else ""
