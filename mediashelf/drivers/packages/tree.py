"""A tree of files as one target sees it, whether it is a disc, a folder or a plan.

A disc may carry two trees: one with short names, one with long names. A target reads
one of them; :class:`PackageTree` keeps the names of the other beside it, so that "the file is
there, but under a name this target does not see" can be told from "it is missing".
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterable, Mapping, Sequence
from functools import cached_property
from typing import NamedTuple

from msgspec import Struct

from mediashelf.formats.tree_pairs import pair_trees
from mediashelf.formats.volume import HOLE, DiscFacts, Entry, VolumeFacts, VolumeKind


class TreeFile(Struct, frozen=True):
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
    entries: dict[str, Entry] = {}
    files: list[TreeFile] = []
    names = pair_trees(seen, hidden) if hidden is not None else {}
    for entry in seen.files:
        entries.setdefault(entry.path, entry)
        is_cut = _ends_outside(entry, seen.block_size, facts.size)
        files.append(TreeFile(entry.path, entry.size, names.get(entry.path, ""), is_cut))
    paired = set(names.values())
    for entry in hidden.files if hidden is not None else ():
        if entry.path not in paired:
            files.append(TreeFile("", entry.size, entry.path))
            entries.setdefault("\0" + entry.path, entry)

    def read(file: TreeFile, limit: int) -> bytes:
        return read_entry(entries[file.path or "\0" + file.hidden_path], limit)

    return PackageTree(name, seen.kind.value, tuple(files), read, provides, prefix)


def _ends_outside(entry: Entry, block_size: int, image_size: int) -> bool:
    for lba, size, offset in entry.extents:  # without more calls: there can be 100,000 entries
        if lba * block_size + offset + size > image_size and size and lba != HOLE:
            return True
    return False
