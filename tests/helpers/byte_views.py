"""A view of bytes in memory, where the program reads files."""

from __future__ import annotations


class BytesView:
    """All bytes of a made disc, read like a file's."""

    def __init__(self, data: bytes) -> None:
        self._data = data

    @property
    def size(self) -> int:
        return len(self._data)

    def read(self, offset: int, size: int) -> bytes:
        return self._data[offset : offset + size]
