"""A tree of files as one target sees it, whether it is a disc, a folder or a plan.

A disc may carry two trees: one with short names, one with long names. A target reads
one of them; :class:`PackageTree` keeps the names of the other beside it, so that "the file is
there, but under a name this target does not see" can be told from "it is missing".
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterable, Mapping, Sequence
from functools import cached_property
from itertools import chain
from typing import NamedTuple

from msgspec import Struct

from mediashelf.formats.entries import iter_folders, list_paths
from mediashelf.formats.tree_pairs import NO_PARTNER, pair_files
from mediashelf.formats.volume import DiscFacts, Entry, VolumeFacts, VolumeKind, ends_outside


class TreeFile(Struct, frozen=True, gc=False):
    """One file. Paths are absolute in the tree, parts joined by ``/``.

    ``path`` is where the target sees it, empty when it does not. ``hidden_path`` is
    its path in the tree that the target does not read, empty when it is in none.
    ``is_cut`` tells that the image ends before the file does.
    """

    path: str
    size: int
    hidden_path: str = ""
    is_cut: bool = False

    @property
    def shown_path(self) -> str:
        """The path for people: the target's where there is one."""
        return self.path or self.hidden_path

    @property
    def name(self) -> str:
        """The last part of the path that is shown."""
        path = self.path or self.hidden_path
        return path[path.rfind("/") + 1 :]


class Provides(NamedTuple):
    """What the maker of a disc declares: the packages in ``folder`` drive these devices.

    ``targets`` names the targets it holds for; empty means every one.
    """

    folder: str
    identifiers: tuple[str, ...]
    targets: tuple[str, ...] = ()


def _not_lasting(file: TreeFile) -> Hashable:
    return None


class PackageTree(Struct, frozen=True, dict=True, weakref=True):
    """The files of one source as one target sees them.

    ``kind`` is ``folder``, ``iso9660``, ``joliet`` … : the tree that is read.
    ``read`` returns up to a limit of bytes from the start of a file; it may raise
    ``OSError`` or an error of ours. ``prefix`` stands before paths in findings, so
    that several sources can be told apart. ``lasting`` gives what stands for the bytes of a
    file that can be read again at any time, at no great cost, and None for others.
    """

    name: str
    kind: str
    files: tuple[TreeFile, ...]
    read: Callable[[TreeFile, int], bytes]
    provides: tuple[Provides, ...] = ()
    prefix: str = ""
    lasting: Callable[[TreeFile], Hashable] = _not_lasting

    # Each is made for the first who asks: of a whole package only where its files are.

    @cached_property
    def _seen(self) -> Mapping[str, TreeFile]:
        return {file.path.lower(): file for file in reversed(self.files) if file.path}

    @cached_property
    def _hidden(self) -> Mapping[str, TreeFile]:
        hidden = (file for file in reversed(self.files) if file.hidden_path)
        return {file.hidden_path.lower(): file for file in hidden}

    @cached_property
    def _by_name(self) -> Mapping[str, Sequence[TreeFile]]:
        named: dict[str, list[TreeFile]] = {}
        for file in self.files:
            if file.path:
                named.setdefault(file.name.lower(), []).append(file)
        return named

    def find(self, path: str) -> TreeFile | None:
        """Return the file that the target finds at ``path``; case does not matter."""
        return self._seen.get(path.lower())

    def find_hidden(self, path: str) -> TreeFile | None:
        """Return the file at ``path`` of the tree that the target does not read."""
        return self._hidden.get(path.lower())

    def find_names(self, name: str) -> Sequence[TreeFile]:
        """Return all files of this name that the target sees."""
        return self._by_name.get(name.lower(), ())

    def find_name(self, name: str) -> TreeFile | None:
        """Return some file of this name that the target sees, wherever it is."""
        return next(iter(self.find_names(name)), None)


def folder_of(path: str) -> str:
    """Return the folder of a path without a slash at its end; empty for the root."""
    return path.rpartition("/")[0]


def pick_volume(facts: DiscFacts, kinds: Iterable[VolumeKind]) -> VolumeFacts | None:
    """Return the first volume in the target's order whose entries were read."""
    for kind in kinds:
        volume = facts.volume(kind)
        if volume is not None and volume.entries_read:
            return volume
    return None


def tree_of_disc(
    name: str,
    facts: DiscFacts,
    kinds: Iterable[VolumeKind],
    read_entry: Callable[[Entry, int], bytes],
    *,
    provides: tuple[Provides, ...] = (),
    prefix: str = "",
) -> PackageTree | None:
    """Return what a target sees of a disc; ``kinds`` are the trees that it reads, best first.

    None when it reads none of the disc's trees. ``read_entry`` is given an entry and
    a limit in bytes.
    """
    kinds = tuple(kinds)
    seen = pick_volume(facts, kinds)
    if seen is None:
        return None
    other_kind = VolumeKind.ISO9660 if seen.kind is not VolumeKind.ISO9660 else VolumeKind.JOLIET
    hidden = facts.volume(other_kind)
    twin_of = _twins(seen, hidden)
    hidden_paths = list_paths(hidden.entries) if hidden is not None else []
    is_paired = bytearray(len(hidden_paths))
    files: list[TreeFile] = []
    number = 0
    for folder in iter_folders(seen.entries):
        columns = (folder.iter_paths(), folder.sizes, folder.are_folders, folder.iter_extents())
        for path, size, is_directory, extents in zip(*columns, strict=True):
            if not is_directory:
                twin = twin_of(number)
                hidden_path = ""
                if twin != NO_PARTNER:
                    hidden_path, is_paired[twin] = hidden_paths[twin], 1
                is_cut = ends_outside(extents, seen.block_size, facts.size)
                files.append(TreeFile(path, size, hidden_path, is_cut))
            number += 1
    if hidden is not None:
        number = 0
        for folder in iter_folders(hidden.entries):
            for size, is_directory in zip(folder.sizes, folder.are_folders, strict=True):
                if not (is_directory or is_paired[number]):
                    files.append(TreeFile("", size, hidden_paths[number]))
                number += 1

    numbers: dict[VolumeKind, dict[str, int]] = {}  # most of a disc's files are never read

    def read(file: TreeFile, limit: int) -> bytes:
        volume = seen if file.path or hidden is None else hidden
        if volume.kind not in numbers:
            numbers[volume.kind] = _first_numbers(volume)
        return read_entry(volume.entries[numbers[volume.kind][file.shown_path]], limit)

    return PackageTree(name, seen.kind.value, tuple(files), read, provides, prefix)


def _twins(seen: VolumeFacts, hidden: VolumeFacts | None) -> Callable[[int], int]:
    """Return what gives the number in the hidden tree of a file by its number in the other."""
    if hidden is None:
        return lambda number: NO_PARTNER
    pairs = pair_files(seen, hidden)
    shared = dict(pairs.shared)
    return lambda number: shared.get(number, pairs.partners[number])


def _first_numbers(volume: VolumeFacts) -> dict[str, int]:
    """Return the numbers of files by their paths; of two with one path that of the first."""
    numbers: dict[str, int] = {}
    are_folders = chain.from_iterable(each.are_folders for each in iter_folders(volume.entries))
    pairs = zip(list_paths(volume.entries), are_folders, strict=True)
    for number, (path, is_folder) in enumerate(pairs):
        if not is_folder:
            numbers.setdefault(path, number)
    return numbers
