"""Write a planned disc: every byte counted and digested, read back before it gets its name.

Decided here:

- The disc is written front to back beside its final name, under a temporary one.
- A source that is gone, unreadable, longer, shorter or newer than it was when the
  disc was planned ends the build, also while it is being read, and also when it
  only shares the place of an equal one. Nothing is left behind.
- The output must not be inside a source folder (the next disc would hold this
  one), must not be a source itself, and must be a regular file where it exists.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from mediashelf.building.digesting import PassingDigests, hash_bytes
from mediashelf.building.index_page import render_index
from mediashelf.building.layout import BOOT_RECORD, FIRST_DESCRIPTOR
from mediashelf.building.plan import DiscPlan, blocking, refuse_blocked
from mediashelf.building.readback import read_back
from mediashelf.building.reading import CHUNK, check_unchanged, digest_source, iter_source
from mediashelf.building.recipe import Recipe
from mediashelf.building.records import (
    boot_record,
    directory_sectors,
    path_tables,
    set_terminator,
    volume_descriptor,
)
from mediashelf.building.tree import DiscFile
from mediashelf.errors import BuildError, OutputError
from mediashelf.files import whole_output
from mediashelf.formats.volume import SECTOR_SIZE

OnBytes = Callable[[int], None]


@dataclass(frozen=True, slots=True)
class BuiltDisc:
    """A disc that was written and read back. ``digests`` are SHA-256 by long path."""

    path: Path
    size: int
    file_count: int
    folder_count: int
    digests: dict[str, str]


def build_disc(
    plan: DiscPlan,
    output: Path,
    *,
    anyway: bool = False,
    replace: bool = True,
    on_bytes: OnBytes = lambda count: None,
) -> BuiltDisc:
    """Write the disc, read it back, and give it its name.

    ``on_bytes`` is called with the bytes just read from sources, then with those
    read back: twice ``plan.content_size`` in all.

    Raises :class:`BlockedError` when the plan has errors (``anyway`` overrides
    those that leave a disc possible), :class:`BuildError` when a source is not
    what was planned or the disc does not read back as it was written, and
    :class:`OutputError` when the output cannot be written or must not be.
    """
    refuse_blocked(blocking(plan.findings, anyway=anyway))
    check_output(plan.recipe, output, replace=replace)
    with whole_output(output, replace=replace) as temporary:
        _DiscWriter(plan, on_bytes).write(temporary)
        read_back(plan, temporary, on_bytes=on_bytes)
    return BuiltDisc(
        output,
        plan.size,
        len(plan.files),
        plan.folder_count,
        {file.long_path: file.content.digest for file in plan.iter_files()},
    )


def check_output(recipe: Recipe, output: Path, *, replace: bool) -> None:
    """Raise :class:`OutputError` when the disc must not be written there; nothing is touched."""
    real = Path(os.path.realpath(output))
    if os.path.lexists(output) and not real.is_file():
        raise OutputError(f"{output}: is no regular file; name a file for the disc")
    if real.exists() and not replace:
        raise OutputError(
            f"{output}: exists already; choose another name, or have it replaced (--replace)"
        )
    for source in recipe.folders:
        if real.is_relative_to(os.path.realpath(source.path)):
            raise OutputError(
                f"{output}: is inside {source.path}, which goes on the disc; "
                "write the disc outside its own sources"
            )
    for path in (recipe.path, recipe.boot.path if recipe.boot else None):
        if path is not None and real == Path(os.path.realpath(path)):
            raise OutputError(f"{output}: is what the disc is made from; choose another name")


class _DiscWriter:
    """Writes one disc from its first sector to its last."""

    def __init__(self, plan: DiscPlan, on_bytes: OnBytes) -> None:
        self._plan = plan
        self._layout = plan.layout
        self._on_bytes = on_bytes

    def write(self, path: Path) -> None:
        """Write everything to a new file; every content has its digest afterwards."""
        with path.open("xb", buffering=CHUNK) as stream, PassingDigests() as digests:
            for lba, sectors in self._iter_structures():
                _put(stream, lba, sectors)
            for content in self._layout.contents:
                if content.path:
                    _put(stream, content.lba, b"")
                    for piece in digests.passing(content, iter_source(content)):
                        stream.write(piece)
                        self._on_bytes(len(piece))
            self._keep(digests)
            if self._plan.index is not None:
                self._write_index(stream, self._plan.index)
            _put(stream, self._layout.sectors, b"")

    def _keep(self, digests: PassingDigests) -> None:
        """Let every source have its digest; none may be another than when it was planned."""
        for content, digest in digests.finished():
            if content.digest and content.digest != digest:
                raise BuildError(
                    f"{content.path}: other bytes were read than when the disc was planned, "
                    "under the same size and time; check the medium it is on, then build again"
                )
            content.digest = digest
        # What the disc shows without its own bytes having been read just now.
        for file in self._plan.sources:
            if not file.own.size:
                digest_source(file.own)
            elif file.own.equal_to is not None:
                check_unchanged(file.own)

    def _write_index(self, stream: BinaryIO, index: DiscFile) -> None:
        page = render_index(self._plan.recipe.label, self._plan.trees, index)
        assert len(page) == index.own.size, "digests never change the size of the page"
        index.own.digest = hash_bytes(page)
        _put(stream, index.own.lba, page)
        self._on_bytes(len(page))

    def _iter_structures(self) -> Iterator[tuple[int, bytes]]:
        """Yield what stands before the contents, with its sector."""
        plan, layout = self._plan, self._layout
        joliet = layout.joliet_descriptor
        yield FIRST_DESCRIPTOR, volume_descriptor(layout, plan.label, plan.made, joliet=False)
        if plan.boot is not None:
            yield BOOT_RECORD, boot_record(layout.boot_catalog)
        yield joliet, volume_descriptor(layout, plan.label, plan.made, joliet=True)
        yield joliet + 1, set_terminator()
        for tree in (layout.iso, layout.joliet):
            table_l, table_m = path_tables(tree)
            yield tree.path_table_l, table_l
            yield tree.path_table_m, table_m
        for tree in (layout.iso, layout.joliet):
            for directory in tree.directories:
                yield directory.lba, directory_sectors(directory)
        if plan.boot is not None:
            yield layout.boot_catalog, plan.boot.catalog()


def _put(stream: BinaryIO, lba: int, sectors: bytes) -> None:
    """Write ``sectors`` at ``lba``; what lies before it since the last ones becomes zeros."""
    gap = lba * SECTOR_SIZE - stream.tell()
    assert gap >= 0, f"sector {lba} is taken already"
    stream.write(bytes(gap))
    stream.write(sectors)
