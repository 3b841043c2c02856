"""Which file of another tree is one whose bytes UDF keeps in its own record.

Such bytes have no place, so folder, name and size decide (own behaviour).
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping
from typing import NamedTuple

from mediashelf.formats.entries import OWN_PLACE, iter_folders
from mediashelf.formats.volume import VolumeFacts


class SpareFile(NamedTuple):
    """A file that no place has paired; ``twin_folder`` is its folder as the other tree has it."""

    number: int
    folder: str
    twin_folder: str
    name: str  # in capitals
    size: int
    is_own: bool


def has_own_places(volume: VolumeFacts) -> bool:
    """Whether some file has bytes that no other tree can name, as UDF keeps them in its record."""
    return any(
        OWN_PLACE in folder.of_files(folder.places(volume.block_size))
        for folder in iter_folders(volume.entries)
        if folder.extents is not None
    )


def pair_embedded(
    one: VolumeFacts,
    other: VolumeFacts,
    known: Iterable[tuple[int, int]],
    folders: Mapping[str, str],
) -> Iterator[tuple[SpareFile, SpareFile]]:
    """Yield more pairs of files than ``known``, of which one has its bytes in its own record.

    ``folders`` are folders of ``other`` by those of ``one``. A file of the same name and size in
    the same folder is it; else the only one there of its size and extension.
    """
    taken, taken_there = bytearray(len(one.entries)), bytearray(len(other.entries))
    for number, partner in known:
        taken[number] = taken_there[partner] = True
    spare = list(_iter_spare(one, taken, folders))
    there = list(_iter_spare(other, taken_there, {}))
    for name_of in (_name, _extension):
        found = list(_iter_only(spare, there, name_of))
        yield from found
        paired, partners = {file for file, _ in found}, {partner for _, partner in found}
        spare = [file for file in spare if file not in paired]
        there = [file for file in there if file not in partners]


def _iter_spare(
    volume: VolumeFacts, taken: bytearray, folders: Mapping[str, str]
) -> Iterator[SpareFile]:
    start = 0
    for folder in iter_folders(volume.entries):
        path = folder.path or "/"
        twin = folders.get(path, path)
        for at, place in enumerate(folder.places(volume.block_size)):
            if folder.sizes[at] and not folder.are_folders[at] and not taken[start + at]:
                name, size = folder.names[at].upper(), folder.sizes[at]
                yield SpareFile(start + at, path, twin, name, size, place == OWN_PLACE)
        start += len(folder.names)


def _iter_only(
    files: list[SpareFile], others: list[SpareFile], name_of: Callable[[SpareFile], str]
) -> Iterator[tuple[SpareFile, SpareFile]]:
    """Yield files that are alone with their folder, size and name, in both trees."""
    found: defaultdict[tuple[str, int, str], tuple[list[SpareFile], list[SpareFile]]] = defaultdict(
        lambda: ([], [])
    )
    for side, each in enumerate((files, others)):
        for file in each:
            found[file.twin_folder, file.size, name_of(file)][side].append(file)
    for here, there in found.values():
        if len(here) == len(there) == 1 and here[0].is_own != there[0].is_own:
            yield here[0], there[0]


def _name(file: SpareFile) -> str:
    return file.name


def _extension(file: SpareFile) -> str:
    """Return the extension as a short name would have it."""
    return file.name.rpartition(".")[2][:3] if "." in file.name else ""
