"""One interface to the files of a folder, an image or an archive.

A tree is listed when it is opened, and read member by member in pieces of a bounded size.
It stays as it was when it was opened: a file that changes meanwhile is an error.

Errors: what is wrong with single members is in :attr:`TreeMember.unreadable` and
:attr:`Tree.findings`. :class:`InputError` means that the whole cannot be read, or that the
bytes of a member are not what the listing says: what was given before it must not
be used as the whole member.
"""

from __future__ import annotations

from collections.abc import Generator, Iterator, Sequence
from contextlib import closing
from typing import Protocol, Self

from mediashelf.errors import InputError
from mediashelf.findings import Finding
from mediashelf.formats.fields import View
from mediashelf.trees.bytes import StampedFile
from mediashelf.trees.members import MemberKind, Parts, TreeMember

CHUNK = 1 << 20
"""Bytes of a piece of a member; only the last may be shorter."""


class Closable(Protocol):
    """What a tree closes."""

    def close(self) -> None: ...


class Tree:
    """The files of one folder, volume or archive. Use it in a ``with`` block.

    ``where`` is its place for people, which members' paths may follow; ``form`` says what it is
    in words (``folder``, ``ZIP archive``). ``members`` come in the tree's own order, which
    is the fastest to read in; folders that only paths name are not members.
    ``findings`` are what was left out of the listing, and why; ``notes`` tell of files that are
    there and more than the bytes that are read of them. ``file`` is the file on the host
    that all bytes come from, None for a folder; ``depth`` counts the wrappings around this one.
    ``expanded`` are the bytes that were compressed, where they are those of one file.
    ``parts_beside`` are the names of other files, in lower case, that this archive goes on in.
    """

    _separator = ":/"  # between the place of the tree and the path of a member

    def __init__(self, where: str, form: str) -> None:
        self.where = where
        self.form = form
        self.members: Sequence[TreeMember] = ()
        self.findings: tuple[Finding, ...] = ()
        self.notes: tuple[Finding, ...] = ()
        self.depth = 0
        self.file: StampedFile | None = None
        self.expanded: View | None = None
        self.parts_beside: frozenset[str] = frozenset()
        self._owned: tuple[Closable, ...] = ()
        self._by_path: dict[Parts, TreeMember] | None = None
        self._by_lower: dict[Parts, TreeMember] = {}

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *raised: object) -> None:
        self.close()

    def close(self) -> None:
        """Close what was opened; members stay usable, their bytes do not."""
        owned, self._owned = self._owned, ()
        for one in owned:
            one.close()

    def own(self, *closables: Closable) -> None:
        """Have these closed with the tree."""
        self._owned += closables

    def where_is(self, member: TreeMember) -> str:
        """Return the place of a member for people."""
        return self._inside(member.path)

    def host_path(self, member: TreeMember) -> str | None:
        """Return the path of a member that is a file on the host itself."""
        return None

    def _inside(self, path: str) -> str:
        return f"{self.where}{self._separator}{path}"

    def find(self, parts: Parts) -> TreeMember | None:
        """Return the member of this path: the same name, else one that differs only in case.

        A folder that has no record of its own is found as well.
        """
        if self._by_path is None:
            self._by_path = {}
            for member in self.members:
                for level in range(1, len(member.parts)):
                    above = member.parts[:level]
                    if above not in self._by_path:
                        folder = TreeMember(above, 0, None, MemberKind.FOLDER)
                        self._by_path[above] = folder
                self._by_path.setdefault(member.parts, member)
            for known, member in self._by_path.items():
                self._by_lower.setdefault(tuple(part.lower() for part in known), member)
        found = self._by_path.get(parts)
        return found or self._by_lower.get(tuple(part.lower() for part in parts))

    def stream(self, member: TreeMember) -> Generator[bytes, None, None]:
        """Yield the bytes of a file in pieces of :data:`CHUNK`; exactly ``size`` in all.

        Raises :class:`InputError` for a member that cannot be read, or whose bytes are not
        what the listing promises: before its last piece, so that no damaged
        file is taken for whole.
        """
        if not member.is_file or member.unreadable is not None:
            reason = member.unreadable.reason if member.unreadable else f"is a {member.kind.value}"
            raise InputError(f"{self.where_is(member)}: cannot be read: {reason}")
        try:
            yield from _even_pieces(self._stream(member))
        except OSError as error:
            reason = error.strerror or str(error)
            raise InputError(f"{self.where_is(member)}: cannot be read: {reason}") from error

    def _stream(self, member: TreeMember) -> Iterator[bytes]:
        raise NotImplementedError

    def read(self, member: TreeMember, limit: int) -> bytes:
        """Return the first ``limit`` bytes of a file; raises like :meth:`stream`."""
        start = bytearray()
        with closing(self.stream(member)) as pieces:
            while len(start) < limit:
                piece = next(pieces, b"")
                if not piece:
                    break
                start += piece
        return bytes(start[:limit])

    def below(self, parts: Parts) -> Tree:
        """Return the folder at this path as a tree of its own; both share what is open.

        Raises :class:`InputError` when there is none.
        """
        if not parts:
            return self
        found = self.find(parts)
        if found is None or not found.is_folder:
            what = "no such folder in" if found is None else "is a file, not a folder, of"
            raise InputError(f"{self._inside('/'.join(parts))}: {what} this {self.form}")
        return _Subtree(self, found.parts)


class _Subtree(Tree):
    """A folder of another tree."""

    _separator = "/"

    def __init__(self, tree: Tree, parts: Parts) -> None:
        top = TreeMember(parts, 0, None)
        super().__init__(tree.where_is(top), tree.form)
        self._tree = tree
        level = len(parts)
        self.members = [
            member._replace(parts=member.parts[level:], handle=member)
            for member in tree.members
            if len(member.parts) > level and member.parts[:level] == parts
        ]
        self.findings, self.notes = tree.findings, tree.notes
        self.depth, self.file = tree.depth, tree.file
        self.own(tree)

    def host_path(self, member: TreeMember) -> str | None:
        assert isinstance(member.handle, TreeMember)
        return self._tree.host_path(member.handle)

    def _stream(self, member: TreeMember) -> Iterator[bytes]:
        assert isinstance(member.handle, TreeMember)
        return self._tree.stream(member.handle)


def _even_pieces(pieces: Iterator[bytes]) -> Iterator[bytes]:
    """Yield the same bytes in pieces of :data:`CHUNK`; the last waits until all were had."""
    waiting = bytearray()
    for piece in pieces:
        waiting += piece
        while len(waiting) > CHUNK:
            yield bytes(waiting[:CHUNK])
            del waiting[:CHUNK]
    if waiting:
        yield bytes(waiting)
