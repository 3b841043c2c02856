"""Which file of another tree is one whose bytes UDF keeps in its own record.

Such bytes have no place, so folder, name and size decide (own behaviour).
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Mapping
from typing import NamedTuple

from mediashelf.formats.entries import iter_folders
from mediashelf.formats.pairing.places import OWN_PLACE, places_of
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
        OWN_PLACE in folder.of_files(places_of(folder, volume.block_size))
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

        def folder_of(file: SpareFile) -> str:
            return folders.get(file.folder, file.folder).upper()

        for name_of in (_name, _extension):
            found = list(
                _iter_only(
                    (((folder_of(file), file.size, name_of(file)), file) for file in self._left),
                    (
                        ((file.folder.upper(), file.size, name_of(file)), file)
                        for file in self._left_there
                    ),
                )
            )
            yield from found
            paired, partners = {file for file, _ in found}, {partner for _, partner in found}
            self._left = [file for file in self._left if file not in paired]
            self._left_there = [file for file in self._left_there if file not in partners]

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
                    (((file.size, name_of(file)), file) for file in lost),
                    (((file.size, name_of(file)), file) for file in there),
                )
            )
        return votes


def _folders(volume: VolumeFacts) -> set[str]:
    return {(folder.path or "/").upper() for folder in iter_folders(volume.entries)}


def _spare(volume: VolumeFacts, taken: bytearray) -> list[SpareFile]:
    found: list[SpareFile] = []
    start = 0
    for folder in iter_folders(volume.entries):
        path = folder.path or "/"
        for at, place in enumerate(places_of(folder, volume.block_size)):
            if folder.sizes[at] and not folder.are_folders[at] and not taken[start + at]:
                name, size = folder.names[at].upper(), folder.sizes[at]
                found.append(SpareFile(start + at, path, name, size, place == OWN_PLACE))
        start += len(folder.names)
    return found


_Keyed = Iterable[tuple[object, SpareFile]]


def _iter_only(files: _Keyed, others: _Keyed) -> Iterator[tuple[SpareFile, SpareFile]]:
    """Yield files that are alone with their key, in both trees; the bytes of one are its own."""
    found: defaultdict[object, tuple[list[SpareFile], list[SpareFile]]] = defaultdict(
        lambda: ([], [])
    )
    for side, each in enumerate((files, others)):
        for key, file in each:
            found[key][side].append(file)
    for here, there in found.values():
        if len(here) == len(there) == 1 and here[0].is_own != there[0].is_own:
            yield here[0], there[0]


def _name(file: SpareFile) -> str:
    return file.name


def _extension(file: SpareFile) -> str:
    """Return the extension as a short name would have it."""
    return file.name.rpartition(".")[2][:3] if "." in file.name else ""
