"""Archives that libarchive opens: 7z, cabinets, RAR, LHA; in a child process, within bounds.

The library is an extra (``pip install 'mediashelf[archives]'``, and the system's libarchive).
Listing reads headers only; the first member that is read expands all members once into a
spool. Bounds: members and bytes as :class:`Bounds` says, the memory and time of
:mod:`.library_child`, and the silence that :mod:`.library_process` allows. The library checks the
checksums of members; a member whose bytes fail is an error when it is read.
"""

from __future__ import annotations

import json
import re
import zlib
from collections.abc import Iterator, Sequence
from importlib.util import find_spec
from typing import NamedTuple

from mediashelf.errors import InputError
from mediashelf.findings import Finding, Severity
from mediashelf.formats.packed.cabinets.joined import LostFile
from mediashelf.trees.archives.library_child import NO_LIBRARY
from mediashelf.trees.archives.library_process import child_process
from mediashelf.trees.bytes import Spool, StampedFile
from mediashelf.trees.members import (
    NEEDS_LIBRARY,
    Bounds,
    MemberKind,
    TreeMember,
    Unreadable,
    split_name,
    unsafe_name,
)
from mediashelf.trees.tree import CHUNK, Tree
from mediashelf.trees.wrappings import Wrapping

LIBRARY_FORMATS = {
    Wrapping.SEVEN_ZIP: ("7zip",),
    Wrapping.CABINET: ("cab",),
    Wrapping.RAR: ("rar", "rar5"),
    Wrapping.LHA: ("lha",),
}
"""libarchive's names for them."""

_LHA_METHODS = frozenset({"-lh0-", "-lz4-", "-lhd-", "-lh5-", "-lh6-", "-lh7-"})
"""Those that libarchive reads (read in its source, 3.7.4); others it lists."""

_LONGEST_FRAME = 1 << 22
_HOW = (
    "install it with: pip install 'mediashelf[archives]', and libarchive itself "
    "(Debian: apt-get install libarchive13; macOS: brew install libarchive)"
)


class _Place(NamedTuple):
    """Where a member is in the spool; ``problem`` says why not all of it is there."""

    start: int
    size: int
    problem: str


class LibraryTree(Tree):
    """The members of an archive; ``view`` is a whole file, or a spool.

    Raises :class:`InputError` when the library is missing, or cannot read it.
    """

    def __init__(
        self, where: str, wrapping: Wrapping, view: StampedFile | Spool, bounds: Bounds
    ) -> None:
        super().__init__(where, wrapping.value)
        self._wrapping = wrapping
        self._view = view
        self._allowed = bounds.allowance(view.size)
        self._spool = Spool()
        self._places: list[_Place] | None = None
        self._format = ""
        self._header_count = 0
        self._checksums: Sequence[int | None] = ()
        self.own(self._spool)
        findings: list[Finding] = []
        members: list[TreeMember] = []
        for number, header in enumerate(self._list(findings)):
            if number == bounds.members:
                findings.append(self.incomplete(f"it has more than {bounds.members:,} members"))
                break
            self._header_count += 1
            member = self._member(number, header, findings)
            if member is not None:
                members.append(member)
        self.members = members
        self.findings = tuple(findings)

    def _list(self, findings: list[Finding]) -> Iterator[dict[str, object]]:
        """Yield the headers by the first of the library's formats that knows the archive."""
        problem = ""
        for name in LIBRARY_FORMATS[self._wrapping]:
            self._format = name
            count, problem = 0, ""
            for letter, data in self._frames("list"):
                if letter == b"H":
                    count += 1
                    yield json.loads(data)
                elif letter == b"X":
                    problem = data.decode("utf-8", "replace")
            if count:
                if problem:
                    findings.append(self.incomplete(f"it is damaged: {problem}"))
                return
            if not problem:
                return
        if "ncrypt" in problem:
            problem = "its list of files is encrypted"
        raise InputError(
            f"{self.where}: the {self._wrapping.value} cannot be read: {problem.rstrip('.')}"
        )

    def _member(
        self, number: int, header: dict[str, object], findings: list[Finding]
    ) -> TreeMember | None:
        name = str(header.get("name"))
        try:
            parts = split_name(name)
        except ValueError as error:
            findings.append(unsafe_name(self._inside(name), str(error)))
            return None
        if not parts:
            return None
        size, modified = header.get("size"), header.get("modified")
        moment = int(modified) if isinstance(modified, int | float) and modified > 0 else None
        kind = MemberKind(str(header.get("kind")))
        refusal = None
        if kind is MemberKind.LINK:
            refusal = Unreadable("link-left-out", "it is a link or a special file")
        elif header.get("is_encrypted"):
            refusal = Unreadable("member-unreadable", "it is encrypted")
        elif kind is MemberKind.FILE and (method := _closed_method(str(header.get("method")))):
            reason = f"it is compressed by {method}, which the library does not read"
            refusal = Unreadable("member-unreadable", reason)
        count = size if isinstance(size, int) and kind is MemberKind.FILE else 0
        return TreeMember(parts, max(count, 0), moment, kind, refusal, number)

    def expect(self, checksums: Sequence[int | None]) -> None:
        """Have the bytes of members compared with these, which the library does not always do.

        It lists fewer where the archive is damaged.
        """
        if len(checksums) >= self._header_count:
            self._checksums = checksums

    def add_lost(self, files: Sequence[LostFile], gaps: Sequence[tuple[str, str]]) -> None:
        """Add files that the archive names and that are not to be had, and what is not known.

        ``gaps`` are facts with what to do.
        """
        members, findings = [*self.members], [*self.findings]
        for file in files:
            refusal = Unreadable("member-unreadable", file.reason)
            try:
                parts = split_name(file.name)
            except ValueError as error:
                findings.append(unsafe_name(self._inside(file.name), str(error)))
                continue
            members.append(TreeMember(parts, file.size, None, MemberKind.FILE, refusal))
        findings += [self.incomplete(*gap) for gap in gaps]
        self.members, self.findings = members, tuple(findings)

    def _stream(self, member: TreeMember) -> Iterator[bytes]:
        if self._places is None:
            self._places = list(self._expand())
        number = member.handle
        assert isinstance(number, int)
        place = self._places[number] if number < len(self._places) else _Place(0, 0, "it is lost")
        checksum, expected = 0, self._checksums[number] if self._checksums else None
        for at in range(0, place.size, CHUNK):
            piece = self._spool.read(place.start + at, min(CHUNK, place.size - at))
            checksum = zlib.crc32(piece, checksum) if expected is not None else 0
            yield piece
        if place.problem:
            raise InputError(f"{self.where_is(member)}: {place.problem}; get the archive again")
        if place.size != member.size:
            raise InputError(
                f"{self.where_is(member)}: it has {place.size:,} bytes, expected {member.size:,}"
            )
        if expected is not None and checksum != expected:
            raise InputError(
                f"{self.where_is(member)}: its CRC is {checksum:08x}, expected "
                f"{expected:08x}; get the archive again"
            )

    def _expand(self) -> Iterator[_Place]:
        """Put all members into the spool, and yield where each is."""
        start, problem, is_first = 0, "", True
        for letter, data in self._frames("expand"):
            if letter == b"H":
                if not is_first:
                    yield _Place(start, self._spool.size - start, problem)
                start, problem, is_first = self._spool.size, "", False
            elif letter == b"D":
                if self._spool.size + len(data) > self._allowed:
                    raise InputError(f"{self.where}: expands to more than {self._allowed:,} bytes")
                self._spool.append(data)
            elif letter in (b"E", b"X"):
                problem = data.decode("utf-8", "replace").rstrip(".")
        if not is_first:
            yield _Place(start, self._spool.size - start, problem)

    def _frames(self, task: str) -> Iterator[tuple[bytes, bytes]]:
        """Yield what the child says, to its end; raises :class:`InputError` when that is early."""
        if find_spec("libarchive") is None:
            raise InputError(f"{self.where}: a {self._wrapping.value} {NEEDS_LIBRARY}; {_HOW}")
        with (
            self._view.opened() as file,
            child_process(self._format, task, file) as (output, watch),
        ):
            while True:
                watch.heard()
                head = output.read(5)
                size = int.from_bytes(head[1:], "big")
                data = output.read(size) if len(head) == 5 and size <= _LONGEST_FRAME else b""
                if len(head) < 5 or len(data) < size:
                    reason = "took too long" if watch.is_over else "ended early"
                    raise InputError(
                        f"{self.where}: the {self._wrapping.value} is damaged or hostile: the "
                        f"library that reads it {reason}"
                    )
                if head[:1] == b"X" and data.startswith(NO_LIBRARY.encode()):
                    raise InputError(
                        f"{self.where}: a {self._wrapping.value} {NEEDS_LIBRARY}; {_HOW}"
                    )
                yield head[:1], data
                if head[:1] in (b"X", b"Z"):
                    return

    def incomplete(
        self,
        fact: str,
        remedy: str = "get the archive again, or unpack what is sound in it and use the folder",
    ) -> Finding:
        """Return the finding that not all of the archive is here."""
        return Finding("listing-incomplete", Severity.ERROR, self.where, fact, remedy)


def _closed_method(words: str) -> str:
    """Return the method of a member of an LHA archive that the library does not read."""
    found = re.search(r"-l[hz].-", words)
    return found[0] if found is not None and found[0] not in _LHA_METHODS else ""
