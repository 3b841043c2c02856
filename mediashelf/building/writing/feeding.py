"""File objects for a writer that asks for contents in its own order."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from mediashelf.errors import BuildError


class Feed:
    """Looks like an open binary file to a writer, but opens nothing until it is read.

    ``start`` is called when the writer goes to the beginning, and gives the
    bytes in pieces of the size that the writer reads. Once the last byte was
    asked for, ``start``'s iterator is run to its end, so that what it checks
    there is checked before the writer goes on.
    """

    mode = "rb"

    def __init__(self, size: int, start: Callable[[], Iterator[bytes]]) -> None:
        self._size = size
        self._start = start
        self._pieces: Iterator[bytes] = iter(())
        self._left = 0

    def seek(self, offset: int) -> None:
        """Go to the beginning; there is no way to any other place."""
        if offset:
            raise BuildError(f"the writer asked for byte {offset} of a source out of turn")
        self._pieces = self._start()
        self._left = self._size

    def read(self, size: int) -> bytes:
        """Return exactly ``size`` bytes: the writer would fill up silently what is missing."""
        piece = next(self._pieces, b"")
        if len(piece) != size:
            raise BuildError(f"the writer asked for {size} bytes and {len(piece)} were at hand")
        self._left -= size
        if not self._left:
            for _ in self._pieces:
                raise BuildError("a source gave more bytes than were planned")
        return piece
