"""A shelf with an image that is spoiled, and sound or other copies of it."""

from __future__ import annotations

from pathlib import Path

from cli_runs import Shelf
from made_library import tide_image, write
from mediashelf.errors import BlockedError

MIB = 1 << 20
TIDE = tide_image(1, mebibytes=5)
BLOCKED = BlockedError.exit_code


def spoiled(*places: int, by: int = 0x33, length: int = 100) -> bytes:
    data = bytearray(TIDE)
    for place in places:
        data[place : place + length] = bytes(x ^ by for x in data[place : place + length])
    return bytes(data)


def copies(shelf: Shelf, *contents: bytes) -> list[Path]:
    return [
        write(shelf.folder / "elsewhere" / f"{number}.iso", data)
        for number, data in enumerate(contents)
    ]


def flat(text: str) -> str:
    return " ".join(text.split())
