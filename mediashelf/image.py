"""Open an image file: its volumes, entries and boot methods, through one view of its bytes."""

from __future__ import annotations

from collections.abc import Iterator
from functools import cached_property
from pathlib import Path
from typing import Protocol

from msgspec.structs import replace

from mediashelf.errors import InputError
from mediashelf.file_view import FileView, open_view
from mediashelf.findings import Finding
from mediashelf.formats.disc import DiscReading, read_disc
from mediashelf.formats.fields import View
from mediashelf.formats.iso_volumes import TakeFolder
from mediashelf.formats.problem_log import ProblemLog
from mediashelf.formats.volume import HOLE, SECTOR_SIZE, DiscFacts, Entry

_CUE_SUFFIX = ".cue"
_LARGEST_CUE = 1 << 20


class ClosableView(View, Protocol):
    """Bytes that an image is read from."""

    def close(self) -> None:
        """Close what they come from."""
        ...


class DiscImage:
    """An open image. ``facts`` are what it holds, ``findings`` what is wrong with its structures.

    Use it in a ``with`` block, or call :meth:`close`. Facts and findings stay
    usable afterwards; reading of files does not. Of a file of raw sectors ``view``
    is the user data, unchecked, and offsets in findings count in it.
    """

    def __init__(
        self, path: Path, file: ClosableView, take_folder: TakeFolder | None = None
    ) -> None:
        self.path = path
        self.size = file.size
        self._file = file
        self.view: View = file
        self._take_folder = take_folder
        disc = self._read()
        self.facts: DiscFacts = disc.facts
        self.findings: tuple[Finding, ...] = disc.findings

    def _read(self) -> DiscReading:
        try:
            if self.path.suffix.lower() == _CUE_SUFFIX and self.size <= _LARGEST_CUE:
                head = self.view.read(0, self.size)
                if b"\0" not in head:
                    return _cue_sheet(self.size)
            disc = read_disc(self.view, take_folder=self._take_folder)
            return self._read_raw(disc) if disc.facts.looks_raw else disc
        except OSError as error:
            raise InputError(f"{self.path}: cannot be read: {error.strerror or error}") from error

    def _read_raw(self, outer: DiscReading) -> DiscReading:
        """Look through raw sectors at the volume in them; the file's own findings stay."""
        # Imported only for raw images: it needs the EDC.
        from mediashelf.formats.raw.layout import HEAD_SIZE, detect_layout
        from mediashelf.formats.raw.view import RawView

        layout = detect_layout(self.view.read(0, HEAD_SIZE))
        if layout is None:
            return outer
        self.view = RawView(self.view, layout)
        inner = read_disc(self.view)
        findings = tuple(item for item in inner.findings if item.rule != "no-volume")
        facts = replace(inner.facts, size=self.size, looks_raw=True)
        return DiscReading(facts, outer.findings + findings)

    def __enter__(self) -> DiscImage:
        return self

    def __exit__(self, *raised: object) -> None:
        self.close()

    def close(self) -> None:
        """Close the file."""
        self._file.close()

    @property
    def whole(self) -> bytes | None:
        """The bytes of the file where they are at hand, as those of a small one."""
        return self._file.whole if isinstance(self._file, FileView) else None

    def iter_file(self, entry: Entry, chunk: int = 1 << 20) -> Iterator[bytes]:
        """Yield the bytes of an entry in pieces of up to ``chunk`` bytes, over all its extents.

        Where the image ends before the file does, what is there is yielded, and
        then :class:`InputError` names the place: what was yielded is never
        taken for the whole by mistake.
        """
        block_size = self._block_size(entry)
        given = 0
        for extent in entry.extents:
            offset, left = extent.lba * block_size + extent.offset, extent.size
            while left:
                size = min(chunk, left)
                is_hole = extent.lba == HOLE
                piece = bytes(size) if is_hole else self._read_piece(entry, offset, size)
                if not piece:
                    raise InputError(
                        f"{self.path}: {entry.path} ends at byte {given:,} of {entry.size:,}, "
                        f"because the image ends at byte {self.size:,}; the copy is not complete"
                    )
                yield piece
                offset, left, given = offset + len(piece), left - len(piece), given + len(piece)
        if given < entry.size:
            raise InputError(
                f"{self.path}: {entry.path} is recorded in a way that is not supported "
                f"({given:,} of {entry.size:,} bytes); see the findings of this image"
            )

    def read_file(self, entry: Entry, limit: int) -> bytes:
        """Return the bytes of an entry, but no more than its first ``limit``.

        Raises :class:`InputError` like :meth:`iter_file`.
        """
        if len(entry.extents) == 1:
            # Small and in one piece, as nearly all that is asked for.
            lba, size, offset = entry.extents[0]
            wanted = min(size, limit)
            if lba != HOLE and size == entry.size and 0 < wanted <= 1 << 20:
                place = lba * self._block_size(entry) + offset
                data = self._read_piece(entry, place, wanted)
                if len(data) == wanted:
                    return data
        pieces: list[bytes] = []
        left = limit
        if left > 0:
            for piece in self.iter_file(entry, min(limit, 1 << 20)):
                pieces.append(piece[:left])
                left -= len(pieces[-1])
                if not left:
                    break
        return b"".join(pieces)

    def _read_piece(self, entry: Entry, offset: int, size: int) -> bytes:
        try:
            return self.view.read(offset, size)
        except OSError as error:
            raise InputError(
                f"{self.path}: {entry.path} cannot be read at byte {offset:,} of the image: "
                f"{error.strerror or error}"
            ) from error

    @cached_property
    def _block_sizes(self) -> frozenset[int]:
        return frozenset(volume.block_size for volume in self.facts.volumes if volume.entries)

    def _block_size(self, entry: Entry) -> int:
        if len(self._block_sizes) > 1:
            return next(
                volume.block_size for volume in self.facts.volumes if entry in volume.entries
            )
        return next(iter(self._block_sizes), SECTOR_SIZE)


_DESCRIPTOR = 16 * SECTOR_SIZE
_IDENTIFIERS = (b"CD001", b"BEA01", b"NSR02", b"NSR03")  # ECMA-119 8.1.2, ECMA-167 2/9.1.2
_RAW_SYNC = b"\0" + b"\xff" * 10 + b"\0"  # ECMA-130 14.1


def begins_as_disc(view: View) -> bool:
    """Tell whether bytes begin as those of a disc do: by a volume descriptor, or a raw sector."""
    head = view.read(0, _DESCRIPTOR + 6)
    return head[_DESCRIPTOR + 1 :] in _IDENTIFIERS or head.startswith(_RAW_SYNC)


def open_image(path: Path, take_folder: TakeFolder | None = None) -> DiscImage:
    """Open and read an image: ``with open_image(path) as image: ...``.

    Raises :class:`InputError` when the file is missing, a folder, not a regular
    file, or can't be read. A file that is not a disc image is not an error: its facts
    have no volumes and its findings say so. ``take_folder`` is given what the trees hold,
    which the facts do not have then.
    """
    view = open_view(path)
    try:
        return DiscImage(path, view, take_folder)
    except BaseException:
        view.close()
        raise


def _cue_sheet(size: int) -> DiscReading:
    """Return what is known of a cue sheet: that the disc is in another file, as raw sectors."""
    log = ProblemLog()
    log.add(
        "raw-sectors",
        "image",
        "this is a cue sheet; the disc's sectors are in the file that it names",
        found="a cue sheet",
        expected="an image with 2,048 bytes a sector",
    )
    return DiscReading(DiscFacts(size, looks_raw=True), log.findings())
