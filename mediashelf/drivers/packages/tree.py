"""A tree of files as one target sees it, whether it is a disc, a folder or a plan.

A disc may carry two trees: one with short names, one with long names. A target reads
one of them; :class:`PackageTree` keeps the names of the other beside it, so that "the file is
there, but under a name this target does not see" can be told from "it is missing".
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterable, Iterator, Sequence
from functools import cached_property
from typing import NamedTuple, Protocol

from msgspec import Struct

from mediashelf.drivers.packages.listed_files import ListedFiles
from mediashelf.drivers.packages.tree_files import DiscFiles
from mediashelf.drivers.packages.tree_files import TreeFile as TreeFile
from mediashelf.formats.volume import DiscFacts, Entry, VolumeFacts, VolumeKind


class Provides(NamedTuple):
    """What the maker of a disc declares: the packages in ``folder`` drive these devices.

    ``targets`` names the targets it holds for; empty means every one.
    """

    folder: str
    identifiers: tuple[str, ...]
    targets: tuple[str, ...] = ()


class TreeFiles(Protocol):
    """The files of a tree: what :class:`PackageTree` asks, and all of them in their order."""

    @property
    def seen_count(self) -> int: ...
    def __len__(self) -> int: ...
    def __iter__(self) -> Iterator[TreeFile]: ...
    def iter_ending(self, ends: tuple[str, ...]) -> Iterator[TreeFile]: ...
    def find(self, path: str) -> TreeFile | None: ...
    def find_hidden(self, path: str) -> TreeFile | None: ...
    def find_names(self, name: str) -> Sequence[TreeFile]: ...
    def find_name(self, name: str) -> TreeFile | None: ...


def _not_lasting(file: TreeFile) -> Hashable:
    return None


def _always(file: TreeFile) -> bool:
    return True


class PackageTree(Struct, frozen=True, dict=True, weakref=True):
    """The files of one source as one target sees them.

    ``kind`` is ``folder``, ``iso9660``, ``joliet`` … : the tree that is read.
    ``read`` returns up to a limit of bytes from the start of a file; it may raise
    ``OSError`` or an error of ours. ``prefix`` stands before paths in findings, so
    that several sources can be told apart. ``lasting`` gives what stands for the bytes of a
    file that can be read again at any time, at no great cost, and None for others; ``is_quick``
    tells whether the start of a file is at hand without unpacking what is before it.
    """

    name: str
    kind: str
    files: TreeFiles | tuple[TreeFile, ...]
    read: Callable[[TreeFile, int], bytes]
    provides: tuple[Provides, ...] = ()
    prefix: str = ""
    lasting: Callable[[TreeFile], Hashable] = _not_lasting
    is_quick: Callable[[TreeFile], bool] = _always

    @cached_property
    def programs(self) -> dict[str, bool | None]:
        """What is known of files by their paths, as :func:`.is_whole_program` says it."""
        return {}

    @cached_property
    def _known(self) -> TreeFiles:
        return ListedFiles(self.files) if isinstance(self.files, tuple) else self.files

    @property
    def seen_count(self) -> int:
        """How many files the target sees."""
        return self._known.seen_count

    def iter_ending(self, ends: tuple[str, ...]) -> Iterator[TreeFile]:
        """Yield the files whose shown paths end so in lower case, in their order."""
        return self._known.iter_ending(ends)

    def find(self, path: str) -> TreeFile | None:
        """Return the file that the target finds at ``path``; case does not matter."""
        return self._known.find(path)

    def find_hidden(self, path: str) -> TreeFile | None:
        """Return the file at ``path`` of the tree that the target does not read."""
        return self._known.find_hidden(path)

    def find_names(self, name: str) -> Sequence[TreeFile]:
        """Return all files of this name that the target sees."""
        return self._known.find_names(name)

    def find_name(self, name: str) -> TreeFile | None:
        """Return some file of this name that the target sees, wherever it is."""
        return self._known.find_name(name)


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
    files = DiscFiles(seen, hidden, facts.size)

    def read(file: TreeFile, limit: int) -> bytes:
        is_seen, number = files.entry_number(file)
        volume = seen if is_seen or hidden is None else hidden
        return read_entry(volume.entries[number], limit)

    return PackageTree(name, seen.kind.value, files, read, provides, prefix)
