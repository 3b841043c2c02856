"""The tree of a disc while it is planned: folders and files under their host names."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import NamedTuple

from msgspec import Struct, field

from mediashelf.trees.members import TreeMember
from mediashelf.trees.tree import Tree

_NEVER = -(1 << 63)


class Wrapped(NamedTuple):
    """A member of an archive or image; ``file_size`` is that of the whole file, in bytes."""

    tree: Tree
    member: TreeMember
    file_size: int


class Content(Struct, gc=False):  # no circles, and 16 bytes less for each
    """The bytes of one source, or of a page that is made (then ``path`` is empty).

    ``path`` is kept in two parts: ``above``, which the files of a folder share, up to the
    separator, and ``name``. ``size`` and ``modified_ns`` are kept to notice when the source
    changes; for a ``member`` of an archive or image ``path`` and ``modified_ns`` are those of
    the file it is in. ``data`` are the bytes of a page whose text is known when the disc is
    planned. ``digest`` is SHA-256 where the bytes were read already. ``equal_to`` is an earlier
    content with the same bytes, whose place on the disc this one shares; ``lba`` is the place,
    set when the disc is laid out.
    """

    name: str
    size: int
    modified_ns: int = 0
    digest: bytes = b""
    equal_to: Content | None = None
    lba: int = 0
    member: Wrapped | None = None
    data: bytes = b""
    above: str = ""

    @property
    def path(self) -> str:
        """Its path on the host."""
        return self.above + self.name

    @property
    def shown_path(self) -> str:
        """The path for people: a member's name follows its archive's."""
        return self.member.tree.where_is(self.member.member) if self.member else self.path

    @property
    def file_size(self) -> int:
        """Bytes of the file at ``path``."""
        return self.member.file_size if self.member else self.size


class DiscFile(Struct, gc=False):
    """One file; ``listed`` is its path on the host where that is not its content's.

    ``modified`` counts seconds since 1970, UTC; ``origin`` is the number of the
    source in the recipe, -1 for our own pages and the boot image. Where it is in each tree
    is kept in two parts, which others share: the path of its directory, and its name there.
    """

    name: str
    own: Content
    modified: int
    origin: int = -1
    listed: str = ""
    short_folder: str = ""
    short_name: str = ""
    long_folder: str = ""
    long_name: str = ""

    @property
    def source(self) -> str:
        """Its path on the host, as listed; empty for our own pages."""
        return self.listed or self.own.path

    @property
    def is_made(self) -> bool:
        """Whether it has no source: our own pages."""
        return not (self.listed or self.own.name)

    @property
    def short_path(self) -> str:
        """Its path in the ISO tree."""
        return f"{self.short_folder}/{self.short_name}"

    @property
    def long_path(self) -> str:
        """Its path in the Joliet tree."""
        return f"{self.long_folder}/{self.long_name}"

    @property
    def content(self) -> Content:
        """The bytes that the disc shows for this file: its own or equal ones."""
        return self.own.equal_to or self.own


class DiscFolder(Struct):
    """One folder; what it holds is keyed by host name."""

    name: str
    source: str = ""
    folders: dict[str, DiscFolder] = field(default_factory=dict)
    files: dict[str, DiscFile] = field(default_factory=dict)
    modified: int = 0  # the newest file below, seconds since 1970, UTC

    def folder(self, name: str, source: str = "") -> DiscFolder:
        """Return the subfolder of this name; make it when there is none."""
        found = self.folders.get(name)
        if found is None:
            found = self.folders[name] = DiscFolder(name, source)
        return found

    def find(self, names: Iterable[str]) -> DiscFolder | None:
        """Return the folder that these names lead to, None when there is none."""
        folder: DiscFolder | None = self
        for name in names:
            folder = folder.folders.get(name) if folder is not None else None
        return folder

    def iter_folders(self) -> Iterator[DiscFolder]:
        """Yield this folder and all below, parents before children."""
        waiting = [self]
        while waiting:
            folder = waiting.pop()
            yield folder
            waiting += folder.folders.values()

    def iter_files(self) -> Iterator[DiscFile]:
        """Yield every file below."""
        for folder in self.iter_folders():
            yield from folder.files.values()


def date_folders(root: DiscFolder, default: int) -> None:
    """Give every folder the date of the newest file below it, ``default`` where there is none.

    The host's own folder dates change with every copy, so they would make equal
    sources give different discs.
    """
    folders = list(root.iter_folders())
    for folder in reversed(folders):
        dates = [file.modified for file in folder.files.values()]
        dates += [below.modified for below in folder.folders.values()]
        folder.modified = max(dates, default=_NEVER)
    for folder in folders:
        if folder.modified == _NEVER:
            folder.modified = default
