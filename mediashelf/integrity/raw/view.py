"""The user data of a raw track as a reader of volumes wants it, damage corrected on the way."""

from __future__ import annotations

from msgspec.structs import replace

from mediashelf.formats.volume import SECTOR_SIZE
from mediashelf.integrity.raw.scan import find_first_lba, iter_batches
from mediashelf.integrity.raw.tracks import RawTrack


class TrackView:
    """A data track as one run of bytes, 2048 a sector, each sector judged when it is read.

    A :class:`~mediashelf.formats.fields.View`. What the parity can correct reads as a
    conversion would write it; what is lost reads as it is stored. Made for the few
    sectors that hold descriptors and directories: every read opens the file. Raises
    :class:`InputError` when the file can't be read.
    """

    def __init__(self, track: RawTrack) -> None:
        self._track = track
        found = find_first_lba(track)
        self._first_lba = found if found is not None else track.first_lba or 0

    @property
    def size(self) -> int:
        """Bytes of user data."""
        return self._track.sector_count * SECTOR_SIZE

    def read(self, offset: int, size: int) -> bytes:
        """Return up to ``size`` bytes from ``offset``; fewer only at the end."""
        end = min(offset + size, self.size)
        if offset < 0 or end <= offset:
            return b""
        # A sector more on both sides, in case bytes before these are missing or too many.
        first, last = max(offset // SECTOR_SIZE - 1, 0), (end - 1) // SECTOR_SIZE + 1
        pitch, track = self._track.layout.size, self._track
        start = first * pitch
        stored = min((last - first + 1) * pitch, track.size - start)
        part = replace(track, offset=track.offset + start, size=stored)
        batches = iter_batches(part, self._first_lba + first)
        data = b"".join([batch.user_data() for batch in batches])
        skipped = offset - first * SECTOR_SIZE
        return data[skipped : skipped + end - offset]
