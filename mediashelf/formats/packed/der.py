"""Elements of DER, as catalogs and certificates are written in it: tag, length, contents.

Only what DER allows is read: one-byte tags and definite lengths (ITU-T X.690 8.1 and 10.1,
from memory). Our own reader and no library: a catalog needs six kinds of elements out of
a file that nobody has vouched for, and every step of it is counted against a limit.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import islice
from typing import NamedTuple

from mediashelf.errors import FormatError

INTEGER, OCTET_STRING, OBJECT_IDENTIFIER = 0x02, 0x04, 0x06
BMP_STRING = 0x1E
SEQUENCE, SET = 0x30, 0x31
CONTEXT_0 = 0xA0

_LONGEST_LENGTH = 4


class Element(NamedTuple):
    """One element; ``at`` is the offset of its tag, ``start`` and ``end`` are its contents'."""

    tag: int
    at: int
    start: int
    end: int


class DerReader:
    """Reads elements out of ``data``; raises :class:`FormatError` for what is not DER.

    After ``most_elements`` it refuses to go on.
    """

    def __init__(self, data: bytes, *, most_elements: int) -> None:
        self._data = data
        self._most = self._left = most_elements

    def element(self, at: int = 0, end: int | None = None) -> Element:
        """Return the element at an offset; it ends before ``end``, by default the data's end."""
        data, end = self._data, len(self._data) if end is None else end
        if not self._left:
            raise FormatError(
                "count of elements", at=at, found=f"more than {self._most:,}", expected="fewer"
            )
        self._left -= 1
        if at + 2 > end:
            raise FormatError("element", at=at, found="its end", expected="a tag and a length")
        tag, size, start = data[at], data[at + 1], at + 2
        if tag & 0x1F == 0x1F:
            raise FormatError("tag", at=at, found=f"{tag:#x}", expected="a tag of one byte")
        if size & 0x80:
            count = size & 0x7F
            if not 0 < count <= _LONGEST_LENGTH or start + count > end:
                raise FormatError(
                    "length of length", at=at + 1, found=count, expected=f"1 to {_LONGEST_LENGTH}"
                )
            size, start = int.from_bytes(data[start : start + count], "big"), start + count
        if start + size > end:
            raise FormatError(
                "length of element", at=at + 1, found=size, expected=f"at most {end - start}"
            )
        return Element(tag, at, start, start + size)

    def inside(self, parent: Element) -> Iterator[Element]:
        """Yield the elements inside an element, in order."""
        at = parent.start
        while at < parent.end:
            element = self.element(at, parent.end)
            yield element
            at = element.end

    def first(self, parent: Element, count: int) -> list[Element]:
        """Return the first ``count`` elements inside an element, or all when there are fewer."""
        return list(islice(self.inside(parent), count))

    def expect(self, parent: Element, what: str, *tags: int) -> list[Element]:
        """Return the first elements inside, which must have these tags; others may follow."""
        found = self.first(parent, len(tags))
        if tuple(element.tag for element in found) != tags:
            raise FormatError(
                what,
                at=parent.at,
                found=" ".join(f"{element.tag:02x}" for element in found) or "empty",
                expected=" ".join(f"{tag:02x}" for tag in tags),
            )
        return found

    def contents(self, element: Element) -> bytes:
        """Return the bytes of an element."""
        return self._data[element.start : element.end]
