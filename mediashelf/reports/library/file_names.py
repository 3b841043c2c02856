"""The names of files inside images, packed for a page that searches them.

Blocks of text, each deflated by itself and written in base64: a page unpacks one after
the other and keeps none. A line that begins with U+0001 names the images that the lines
after it belong to, by their numbers on the page; one with U+0002 a folder; every other
line is a name in that folder. Names cannot be mistaken for these: their control
characters are made visible before.
"""

from __future__ import annotations

import base64
import zlib
from collections.abc import Iterable, Sequence

from msgspec import Struct

from mediashelf.reports.allowance import shorten

MOST_BYTES = 30_000_000
"""What the blocks of a page may take; a browser on a phone opens no more."""

_BLOCK_SIZE = 1 << 19  # characters of text: unpacked and searched in a few milliseconds

_LEVEL = 9  # once written, opened for years

IMAGES_MARK, FOLDER_MARK = "\x01", "\x02"


class PackedNames(Struct, frozen=True):
    """Blocks of names, of how many images and entries; ``left_out`` images did not fit whole."""

    blocks: tuple[str, ...]
    images: int
    entries: int
    left_out: int

    def counts(self) -> dict[str, int]:
        """Return what the page says of them."""
        return {"images": self.images, "entries": self.entries, "left_out": self.left_out}


Listing = tuple[Sequence[int], Iterable[tuple[str, str]]]
"""The numbers of the images that have these entries, and each entry's folder and name."""


def pack_names(listings: Iterable[Listing], *, most_bytes: int = MOST_BYTES) -> PackedNames:
    """Pack listings in their order, until the room is used; those after that are not read."""
    packer = _Packer(most_bytes)
    left_out = 0
    for numbers, entries in listings:
        if packer.is_full:
            left_out += len(numbers)
        else:
            packer.add(numbers, entries)
    packer.flush()
    return PackedNames(
        tuple(packer.blocks), packer.images, packer.entries, left_out + packer.left_out
    )


class _Packer:
    """Text that grows, and the blocks made of it so far."""

    def __init__(self, room: int) -> None:
        self.blocks: list[str] = []
        self.images = self.entries = self.left_out = 0
        self.is_full = False
        self._room = room
        self._lines: list[str] = []
        self._size = self._images = self._entries = 0  # of the text that is no block yet

    def add(self, numbers: Sequence[int], entries: Iterable[tuple[str, str]]) -> None:
        head = IMAGES_MARK + ",".join(map(str, numbers))
        self._append(head)
        last_folder = ""
        for folder, name in entries:
            if self._size > _BLOCK_SIZE:
                self.flush()
                if self.is_full:
                    self.left_out += len(numbers)
                    return
                self._append(head)
                last_folder = ""
            if folder != last_folder:
                self._append(FOLDER_MARK + shorten(folder))
                last_folder = folder
            self._append(shorten(name))
            self._entries += 1
        self._images += len(numbers)

    def flush(self) -> None:
        """Make a block of the text, if there is room for it."""
        if not self._lines:
            return
        data = zlib.compress("\n".join(self._lines).encode("utf-8"), _LEVEL)
        block = base64.b64encode(data).decode("ascii")
        self._room -= len(block)
        if self._room < 0:
            self.is_full = True
            self.left_out += self._images
        else:
            self.blocks.append(block)
            self.images += self._images
            self.entries += self._entries
        self._lines = []
        self._size = self._images = self._entries = 0

    def _append(self, line: str) -> None:
        self._lines.append(line)
        self._size += len(line) + 1
