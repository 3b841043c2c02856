"""System use entries after the fields of a directory record, and where they continue.

The layout is that of the system use sharing protocol, as the Linux kernel 6.12
reads it (fs/isofs/rock.c and rock.h): a signature of two letters, a length of
the whole entry, a version, and then what the signature says.
"""

from __future__ import annotations

from collections.abc import Iterator

from mediashelf.formats.fields import View, parse_both_32
from mediashelf.formats.structure_rules import ProblemLog
from mediashelf.formats.volume import SECTOR_SIZE

_HEADER_SIZE = 4
_CONTINUATION_SIZE = 28
MOST_CONTINUATIONS = 32  # of one record; the kernel follows as many


class SystemUseReader:
    """Reads the entries of records, following continuation areas (CE)."""

    def __init__(self, view: View, block_size: int, log: ProblemLog) -> None:
        self._view, self._block_size, self._log = view, block_size, log
        # Neighbouring records continue in the same sector.
        self._sector_number, self._sector = -1, b""

    def entries(self, area: bytes, where: str, offset: int) -> Iterator[tuple[bytes, bytes]]:
        """Yield (signature, body) of all entries that begin in ``area``, part of a record.

        ``where`` and ``offset`` are the record's place, for what is logged.
        """
        visited: set[tuple[int, int]] = set()
        while area:
            following = None
            at = 0
            while at + _HEADER_SIZE <= len(area):
                size = area[at + 2]
                if not area[at]:
                    break  # padding
                if size < _HEADER_SIZE or at + size > len(area):
                    self._log.add(
                        "rockridge-entry",
                        where,
                        "a system use entry does not fit; the entries after it were not read",
                        offset=offset,
                        found=area[at : at + _HEADER_SIZE].hex(" "),
                        expected=f"a length from 4 to {len(area) - at}",
                    )
                    break
                signature = area[at : at + 2]
                if signature == b"ST":
                    break
                if signature == b"CE" and size >= _CONTINUATION_SIZE:
                    following = area[at + _HEADER_SIZE : at + _CONTINUATION_SIZE]
                else:
                    yield signature, area[at + _HEADER_SIZE : at + size]
                at += size
            area = self._follow(following, visited, where, offset) if following else b""

    def _follow(
        self, pointer: bytes, visited: set[tuple[int, int]], where: str, offset: int
    ) -> bytes:
        """Return the continuation area that a CE entry points to, or nothing if it can't be."""
        lba, start, size = (parse_both_32(pointer, at).value for at in (0, 8, 16))
        reason = ""
        if (lba, start) in visited or len(visited) >= MOST_CONTINUATIONS:
            reason = "is part of a loop, or of a chain that is too long"
        elif start + size > SECTOR_SIZE:
            reason = "extends past the end of its sector"
        visited.add((lba, start))
        data = b"" if reason else self._read(lba, start, size)
        if not reason and len(data) < size:
            reason = "is past the end of the image"
        if reason:
            self._log.add(
                "rockridge-continuation",
                where,
                f"a continuation area {reason}; it was not read",
                offset=offset,
                found=f"LBA {lba}, offset {start}, {size} bytes",
            )
            return b""
        return data

    def _read(self, lba: int, start: int, size: int) -> bytes:
        number, inside = divmod(lba * self._block_size + start, SECTOR_SIZE)
        if number != self._sector_number:
            self._sector = self._view.read(number * SECTOR_SIZE, SECTOR_SIZE)
            self._sector_number = number
        return self._sector[inside : inside + size]
