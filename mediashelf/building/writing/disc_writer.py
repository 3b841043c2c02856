"""Writes a planned disc: its records, then the contents of its files, digested in passing."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import BinaryIO

from mediashelf.building.naming.layout import sectors_for
from mediashelf.building.pages.index_page import iter_index
from mediashelf.building.planning.disc_plan import DiscPlan
from mediashelf.building.sources.digesting import (
    QUICK_SIZE,
    PassingDigests,
    hash_bytes,
    hash_quickly,
    quick_place,
)
from mediashelf.building.sources.reading import (
    is_small_file,
    iter_source,
    read_small_file,
    refuse_changed,
)
from mediashelf.building.tree import Content, DiscFile
from mediashelf.building.writing.records import iter_records
from mediashelf.errors import BuildError
from mediashelf.formats.volume import SECTOR_SIZE
from mediashelf.trees.tree import CHUNK


class DiscWriter:
    """Writes one disc.

    ``on_records`` is called once all that says where things are is in the file, with its bytes.
    """

    def __init__(
        self,
        plan: DiscPlan,
        digests: PassingDigests,
        on_bytes: Callable[[int], None],
        on_records: Callable[[int], None] = lambda size: None,
    ) -> None:
        self._plan = plan
        self._digests = digests
        self._on_bytes = on_bytes
        self._on_records = on_records

    def write(self, path: Path) -> None:
        """Write everything to a new file; every content has its digests afterwards.

        Raises :class:`BuildError` when a source is not what was planned.
        """
        nothing = hash_bytes(b"")
        for file in self._plan.sources:
            if not file.own.size:  # it has no place, so it is never read
                file.own.digest = nothing
        index = self._plan.index
        contents = self._plan.layout.contents
        self._plan.layout.quick = bytearray(QUICK_SIZE * len(contents))
        with path.open("xb", buffering=CHUNK) as stream:
            for piece in iter_records(self._plan):
                stream.write(piece)
            stream.flush()
            self._on_records(stream.tell())
            for number, content in enumerate(contents):
                if index is not None and content is index.own:
                    # The page shows the digests of the others, so it is written last.
                    index_number = number
                    stream.seek((content.lba + sectors_for(content.size)) * SECTOR_SIZE)
                elif is_small_file(content):
                    self._write_small(number, content, stream)
                else:
                    self._write(number, content, iter_source(content), stream)
            self._keep_digests()
            if index is not None:
                self._write_index(index_number, index, stream)
            stream.seek(0, 2)
            stream.write(bytes(self._plan.size - stream.tell()))
        self._refuse_unread()

    def _write_small(self, number: int, content: Content, stream: BinaryIO) -> None:
        data = read_small_file(content)
        # Sooner done than handed over.
        self._keep(number, content, hash_bytes(data), hash_quickly(data))
        stream.write(data.ljust(sectors_for(len(data)) * SECTOR_SIZE, b"\0"))
        self._on_bytes(len(data))

    def _write(
        self, number: int, content: Content, source: Iterator[bytes], stream: BinaryIO
    ) -> None:
        """Write a content where the stream is, and zeros to the end of its last sector."""
        size = 0
        for piece in self._digests.passing(number, source):
            stream.write(piece)
            size += len(piece)
            self._on_bytes(len(piece))
        if size != content.size:
            raise BuildError(
                f"{content.shown_path or 'a page of the disc'}: gave {size:,} bytes, "
                f"expected {content.size:,}; build again"
            )
        stream.write(bytes(-size % SECTOR_SIZE))

    def _write_index(self, number: int, index: DiscFile, stream: BinaryIO) -> None:
        plan = self._plan
        stream.seek(index.own.lba * SECTOR_SIZE)
        page = iter_index(plan.recipe.label, plan.trees, plan.pages, plan.notes)
        self._write(number, index.own, page, stream)
        self._keep_digests()

    def _keep_digests(self) -> None:
        """Let every source that was read in pieces have its digest."""
        for number, (sha256, quick) in self._digests.finished():
            self._keep(number, self._plan.layout.contents[number], sha256, quick)

    def _keep(self, number: int, content: Content, sha256: bytes, quick: bytes) -> None:
        """Let a content have its digests; it must not be another than when it was planned."""
        if content.digest and content.digest != sha256:
            raise BuildError(
                f"{content.shown_path}: other bytes were read than when the disc was planned, "
                "under the same size and time; check the medium it is on, then build again"
            )
        content.digest = sha256
        self._plan.layout.quick[quick_place(number)] = quick

    def _refuse_unread(self) -> None:
        """Make sure of what the disc shows without its own bytes having been read just now."""
        for file in self._plan.sources:
            if not file.own.size or file.own.equal_to is not None:
                refuse_changed(file.own)
