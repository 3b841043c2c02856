"""Whatever holds files, looked at as an image is: archives, floppies, compressed discs.

Whoever lists, finds and compares images needs no more than :class:`DiscImage` offers, so a
wrapping that is not a plain disc gets the same face: a tree of its kind, and files to read.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from msgspec.structs import replace

from mediashelf.errors import InputError
from mediashelf.file_view import open_view
from mediashelf.findings import Finding, Severity
from mediashelf.formats.fields import View
from mediashelf.formats.volume import DiscFacts, Entry, VolumeFacts, VolumeKind, encode_record_date
from mediashelf.image import DiscImage, begins_as_disc

if TYPE_CHECKING:
    from mediashelf.formats.disc import DiscReading
    from mediashelf.trees.members import Bounds
    from mediashelf.trees.tree import Tree

# What opens other wrappings is loaded only for them: it takes longer than to show a small disc.


class WrappedImage(DiscImage):
    """A file that is an archive, a floppy or a compressed disc, opened as a tree.

    ``view`` are the bytes of the file itself; findings say nothing of places in it. ``inner`` is
    the disc that a compressed file holds, None for others.
    """

    def __init__(self, path: Path, tree: Tree) -> None:
        from mediashelf.trees.disc import DiscTree

        assert tree.file is not None
        self.tree = tree
        self.inner = tree.image if isinstance(tree, DiscTree) else None
        super().__init__(path, tree.file)

    def _read(self) -> DiscReading:
        from mediashelf.formats.disc import DiscReading
        from mediashelf.trees.inside import unreadable_files

        if self.inner is not None:
            facts = replace(self.inner.facts, looks_raw=False)
            findings = (*self.tree.findings, *self.inner.findings)
        else:
            facts = _facts_of_tree(self.tree, self.size)
            unread = unreadable_files(self.tree, self.tree.members)
            findings = (*self.tree.findings, *unread)
        return DiscReading(facts, tuple(without_place(one) for one in findings))

    def close(self) -> None:
        self.tree.close()

    def iter_file(self, entry: Entry, chunk: int = 1 << 20) -> Iterator[bytes]:
        if self.inner is not None:
            yield from self.inner.iter_file(entry, chunk)
            return
        member = self.tree.find(tuple(entry.path.split("/")[1:]))
        if member is None:
            raise InputError(f"{self.path}: {entry.path} is not in it")
        yield from self.tree.stream(member)

    def read_file(self, entry: Entry, limit: int) -> bytes:
        if self.inner is not None:
            return self.inner.read_file(entry, limit)
        return super().read_file(entry, limit)


def without_place(finding: Finding) -> Finding:
    """Return a finding without its offset: that would be one in expanded bytes."""
    return replace(finding, offset=None, length=None)


_CLOSED_HERE = (
    "encrypted",
    "needs libarchive",
    "cannot be opened here",
    "unknown kind",
    "join them",
    "several files",
)
"""Words of errors that say nothing against the archive."""


def is_closed_here(error: Exception) -> bool:
    """Tell whether an archive may be whole, and is only not one that can be opened here."""
    return any(words in str(error) for words in _CLOSED_HERE)


def check_members(tree: Tree) -> Iterator[Finding]:
    """Yield every file that does not come out as the archive says; each is read whole.

    Formats without checksums (floppies, tar) show only what is cut off.
    """
    for member in tree.members:
        if not member.is_file or member.unreadable is not None:
            continue
        try:
            for _ in tree.stream(member):
                pass
        except InputError as error:
            where = tree.where_is(member)
            yield Finding(
                "archive-member-whole",
                Severity.ERROR,
                f"/{member.path}",
                str(error).removeprefix(f"{where}: "),
                "get the archive again, or another copy of it",
            )


def open_as_image(path: Path, bounds: Bounds | None = None) -> DiscImage:
    """Open an image, or what :func:`.holds_archive` tells to be a wrapping of another kind.

    Raises :class:`InputError` for what cannot be read, and for a wrapping that
    cannot be opened, with the reason.
    """
    view = open_view(path)
    try:
        if not _holds_archive(view):
            return DiscImage(path, view)
    except BaseException:
        view.close()
        raise
    view.close()
    from mediashelf.trees.members import Bounds
    from mediashelf.trees.opening import open_tree

    tree = open_tree(path, bounds=bounds or Bounds())
    try:
        return WrappedImage(path, tree)
    except BaseException:
        tree.close()
        raise


def is_archive(path: Path) -> bool:
    """Tell whether a file on the host is a wrapping other than a disc image, by its first bytes."""
    try:
        view = open_view(path)
    except InputError:
        return False
    try:
        return _holds_archive(view)
    finally:
        view.close()


def _holds_archive(view: View) -> bool:
    try:
        if begins_as_disc(view):
            return False
    except OSError:
        return False
    from mediashelf.trees.opening import holds_archive

    return holds_archive(view)


def _facts_of_tree(tree: Tree, size: int) -> DiscFacts:
    kind = VolumeKind.FLOPPY if tree.form.startswith("floppy") else VolumeKind.ARCHIVE
    seen: set[str] = set()
    entries: list[Entry] = []
    for member in sorted(tree.members, key=lambda member: (len(member.parts), member.parts)):
        for level in range(1, len(member.parts)):
            above = "/" + "/".join(member.parts[:level])
            if above not in seen:
                seen.add(above)
                entries.append(Entry(above, member.parts[level - 1], 0, True))
        path = "/" + member.path
        if path in seen:
            continue  # a name twice: the first is what is found
        seen.add(path)
        date = b""
        if member.modified is not None and 0 <= member.modified < 1 << 33:
            date = encode_record_date(datetime.fromtimestamp(member.modified, UTC))
        entries.append(Entry(path, member.name, member.size, member.is_folder, (), date))
    is_complete = not any(finding.rule == "listing-incomplete" for finding in tree.findings)
    volume = VolumeFacts(
        kind, "", tuple(entries), block_size=1, detail=tree.form, is_complete=is_complete
    )
    return DiscFacts(size, (volume,))
