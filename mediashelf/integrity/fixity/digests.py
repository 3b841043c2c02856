"""Digests: one pass over the bytes, however many algorithms, and one short digest per MiB.

Hexadecimal digests are lower case; those of the xxHash family are in the
canonical big-endian form (xxHash specification, "canonical representation"), as
``xxhsum`` prints them; ``crc32`` is CRC-32/ISO-HDLC in eight digits.

xxh3 answers "did this change since it was recorded"; a cryptographic digest is
for anything that is compared with somebody else's list.
"""

from __future__ import annotations

import zlib
from collections.abc import Callable, Iterable
from functools import partial
from typing import Protocol

import xxhash
from msgspec import Struct

BLOCK_SIZE = 1 << 20
"""Bytes that one block digest covers, and the size of the reading buffer."""

BLOCK_DIGEST_SIZE = 8
"""Bytes of one block digest: xxh3_64, big-endian."""


class Hasher(Protocol):
    """What every algorithm offers."""

    def update(self, data: memoryview, /) -> None: ...

    def hexdigest(self) -> str: ...


class _Crc32:
    def __init__(self) -> None:
        self._value = 0

    def update(self, data: memoryview, /) -> None:
        self._value = zlib.crc32(data, self._value)

    def hexdigest(self) -> str:
        return f"{self._value:08x}"


def _hashlib(name: str) -> Hasher:
    import hashlib  # seldom needed, and large

    # MD5 and SHA-1 are here to compare with published lists, not to secure anything;
    # without the flag a system in a restricted mode refuses them.
    return hashlib.new(name, usedforsecurity=False)


_FACTORIES: dict[str, Callable[[], Hasher]] = {
    "xxh3_128": xxhash.xxh3_128,
    "xxh3_64": xxhash.xxh3_64,
    "xxh64": xxhash.xxh64,
    "xxh32": xxhash.xxh32,
    "sha256": partial(_hashlib, "sha256"),
    "sha512": partial(_hashlib, "sha512"),
    "sha1": partial(_hashlib, "sha1"),
    "md5": partial(_hashlib, "md5"),
    "b2": partial(_hashlib, "blake2b"),  # BLAKE2b, 512 bits, as b2sum
    "crc32": _Crc32,
}

ALGORITHMS = tuple(_FACTORIES)
"""The names that ``algorithms`` takes; ``b2`` is BLAKE2b with 512 bits, as ``b2sum`` writes it."""


class Digests(Struct, frozen=True):
    """What one pass over the bytes found.

    ``size`` is the number of bytes read. ``whole`` maps algorithm to hexadecimal
    digest. ``blocks`` joins the 8-byte xxh3_64 of every ``block_size`` bytes
    (the last block may be shorter); it is empty when ``block_size`` is 0.
    """

    size: int
    whole: dict[str, str]
    blocks: bytes = b""
    block_size: int = BLOCK_SIZE


class Digester:
    """Takes bytes as they come and gives :class:`Digests`; for whoever copies and counts in one go.

    Raises ``ValueError`` for an unknown algorithm.
    """

    def __init__(
        self, algorithms: Iterable[str] = ("xxh3_128",), *, block_size: int = BLOCK_SIZE
    ) -> None:
        self._hashers = {name: _factory(name)() for name in algorithms}
        self._updates = [hasher.update for hasher in self._hashers.values()]
        self._block_size = block_size
        self._blocks = bytearray()
        self._open_block = xxhash.xxh3_64()
        self._open_size = 0
        self._size = 0

    def update(self, data: bytes | bytearray | memoryview) -> None:
        """Count ``data`` in; pieces may have any length, block boundaries are kept."""
        view = memoryview(data)
        for update in self._updates:
            update(view)
        self._size += len(view)
        if self._block_size:
            self._update_blocks(view)

    def _update_blocks(self, view: memoryview) -> None:
        start = 0
        while start < len(view):
            piece = view[start : start + self._block_size - self._open_size]
            start += len(piece)
            if len(piece) == self._block_size:  # a whole block at once: the usual case
                self._blocks += xxhash.xxh3_64_digest(piece)
                continue
            self._open_block.update(piece)
            self._open_size += len(piece)
            if self._open_size == self._block_size:
                self._close_block()

    def _close_block(self) -> None:
        self._blocks += self._open_block.digest()
        self._open_block = xxhash.xxh3_64()
        self._open_size = 0

    def finish(self) -> Digests:
        """Return the digests of everything counted in; call it once, at the end."""
        if self._open_size:
            self._close_block()
        whole = {name: hasher.hexdigest() for name, hasher in self._hashers.items()}
        return Digests(self._size, whole, bytes(self._blocks), self._block_size)


def _factory(name: str) -> Callable[[], Hasher]:
    try:
        return _FACTORIES[name]
    except KeyError:
        raise ValueError(f"unknown algorithm {name!r}; known: {', '.join(ALGORITHMS)}") from None


def block_digest(data: bytes | bytearray | memoryview) -> bytes:
    """Return what :attr:`Digests.blocks` holds for a block of these bytes."""
    return xxhash.xxh3_64_digest(data)


def differing_blocks(recorded: bytes, found: bytes) -> tuple[int, ...]:
    """Return the numbers of the blocks whose digests differ, counted from 0.

    Blocks that only one of the two has are counted as different.
    """
    step = BLOCK_DIGEST_SIZE
    longest = max(len(recorded), len(found))
    return tuple(
        start // step
        for start in range(0, longest, step)
        if recorded[start : start + step] != found[start : start + step]
    )
