"""System use entries after the fields of a directory record, and where they continue.

The layout is that of the system use sharing protocol, as the Linux kernel 6.12
reads it (fs/isofs/rock.c and rock.h): a signature of two letters, a length of
the whole entry, a version, and then what the signature says.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import accumulate

from mediashelf.formats.fields import View, parse_both_32
from mediashelf.formats.problem_log import ProblemLog
from mediashelf.formats.rockridge.use_entries import HEADER_SIZE, EntryChecks
from mediashelf.formats.volume import SECTOR_SIZE

_CONTINUATION_SIZE = 28
_NOT_PLAIN = (b"\0", b"ST")  # padding, and the end before the area's
# What leads to other places, comes from there, or is about other contents.
_MORE_THAN_NAME = {b"CE", b"CL", b"PL", b"RE", b"SL", b"ZF"}
_NAME_GOES_ON = 0x01  # flag of NM, RRIP 1.12, 4.1.4
MOST_CONTINUATIONS = 32  # of one record; the kernel follows as many


def _plain_entries(area: bytes) -> list[bytes]:
    """Return the entries of an area that they fill; none where it must be looked at closely."""
    at, end = 0, len(area)
    entries = []
    while end - at >= HEADER_SIZE:
        size = area[at + 2]
        if size < HEADER_SIZE or at + size > end or area.startswith(_NOT_PLAIN, at):
            return []
        entries.append(area[at : at + size])
        at += size
    return [] if area[at:].strip(b"\0") else entries


def entries_at(area: bytes) -> dict[int, bytes]:
    """Return the entries that fill an area by where they begin; none where they do not."""
    entries = _plain_entries(area)
    return dict(zip(accumulate(map(len, entries), initial=0), entries, strict=False))


def is_only_name(area: bytes, at: int) -> bool:
    """Whether entries fill the area, only the one at ``at`` is a name, and none means more."""
    entries = entries_at(area)
    names = [start for start, entry in entries.items() if entry[:2] == b"NM"]
    return names == [at] and _MORE_THAN_NAME.isdisjoint(entry[:2] for entry in entries.values())


class SystemUseReader:
    """Reads and checks the entries of records, following continuation areas (CE)."""

    def __init__(self, view: View, block_size: int, log: ProblemLog) -> None:
        self._view, self._block_size, self.log = view, block_size, log
        self._checks = EntryChecks(log)
        # Neighbouring records continue in the same sector.
        self._sector_number, self._sector = -1, b""

    def entries(self, area: bytes, where: str, offset: int) -> Iterator[tuple[bytes, bytes]]:
        """Yield (signature, body) of all entries that begin in ``area``, part of a record.

        ``where`` and ``offset`` are the record's place, for what is logged.
        """
        visited: set[tuple[int, int]] = set()
        present: set[bytes] = set()
        promised: int | None = None
        name_goes_on, mode = False, 0
        while area:
            following = None
            for entry in _plain_entries(area) or self._in_area(area, where, offset):
                if entry not in self._checks.good:
                    self._checks.judge(entry, where, offset)
                signature, body = entry[:2], entry[HEADER_SIZE:]
                if signature == b"CE" and len(entry) >= _CONTINUATION_SIZE:
                    if following is not None:
                        self._bad_continuation(where, offset, "is named beside another one", "CE")
                    following = body
                    continue
                present.add(signature)
                if signature == b"RR" and body:
                    promised = body[0]
                elif signature == b"PX":
                    mode = int.from_bytes(body[:4], "little")
                elif signature == b"NM" and body:
                    name_goes_on = bool(body[0] & _NAME_GOES_ON)
                yield signature, body
            area = b""
            if following is not None:
                area = self._follow(following, visited, where, offset)
                if not area:
                    return  # what is missing is in there
        self._checks.judge_record(present, promised, mode, where, offset)
        if name_goes_on:
            self.log.add(
                "rockridge-entry",
                where,
                "a name is said to go on, and does not",
                offset=offset,
                found="NM with the continue flag, and no further NM",
                expected="another NM entry",
            )

    def count_alike(self, present: frozenset[bytes]) -> None:
        """Count one more record with the same entries as one that was read."""
        self._checks.count_alike(present)

    def finish(self) -> None:
        """Log what only shows when all records are read."""
        self._checks.log_unlike()

    def _in_area(self, area: bytes, where: str, offset: int) -> Iterator[bytes]:
        """Yield the entries of one area, up to its end, ST, padding or damage."""
        at = 0
        while at + HEADER_SIZE <= len(area):
            size = area[at + 2]
            if not area[at] and not area[at:].strip(b"\0"):
                return  # padding
            if size < HEADER_SIZE or at + size > len(area):
                self.log.add(
                    "rockridge-entry",
                    where,
                    "a system use entry does not fit; the entries after it were not read",
                    offset=offset,
                    found=area[at : at + HEADER_SIZE].hex(" "),
                    expected=f"a length from 4 to {len(area) - at}",
                )
                return
            yield area[at : at + size]
            if area[at : at + 2] == b"ST":
                return
            at += size
        if area[at:].strip(b"\0"):
            self.log.add(
                "rockridge-field",
                where,
                "bytes other than zero follow the last system use entry; it may be cut short",
                offset=offset,
                found=area[at:].hex(" "),
                expected="zeros, or nothing",
            )

    def _follow(
        self, pointer: bytes, visited: set[tuple[int, int]], where: str, offset: int
    ) -> bytes:
        """Return the continuation area that a CE entry points to, or nothing if it can't be."""
        lba, start, size = (parse_both_32(pointer, at).value for at in (0, 8, 16))
        found = f"LBA {lba}, offset {start}, {size:,} bytes"
        reason = ""
        if (lba, start) in visited or len(visited) >= MOST_CONTINUATIONS:
            reason = "is part of a loop, or of a chain that is too long"
        elif start + size > SECTOR_SIZE:
            reason = "extends past the end of its sector"
        visited.add((lba, start))
        data = b"" if reason else self._read(lba, start, size)
        if not reason and len(data) < size:
            reason = "is past the end of the image"
        elif not reason and not data.strip(b"\0"):
            reason = "holds no entries"
        if reason:
            self._bad_continuation(where, offset, f"{reason}; it was not read", found)
            return b""
        return data

    def _bad_continuation(self, where: str, offset: int, reason: str, found: str) -> None:
        self.log.add(
            "rockridge-continuation",
            where,
            f"a continuation area {reason}",
            offset=offset,
            found=found,
            expected="one area of entries inside one sector of the image",
        )

    def _read(self, lba: int, start: int, size: int) -> bytes:
        number, inside = divmod(lba * self._block_size + start, SECTOR_SIZE)
        if number != self._sector_number:
            self._sector = self._view.read(number * SECTOR_SIZE, SECTOR_SIZE)
            self._sector_number = number
        return self._sector[inside : inside + size]
