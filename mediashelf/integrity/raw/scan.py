"""Read a data track's sectors in order and judge each; the fast path judges most of them."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from functools import cached_property
from typing import Any

from msgspec import Struct, field
from msgspec.structs import replace

from mediashelf.formats.raw.judgement import (
    JudgedSector,
    judge_sector,
    kind_without_check,
)
from mediashelf.formats.raw.parity import find_parity_damage
from mediashelf.formats.raw.sectors import (
    EDC_OF_FORM_1,
    EDC_OF_FORM_2,
    EDC_OF_MODE_1,
    FORM_2_BIT,
    RAW_SIZE,
    SYNC,
    edc,
    first_lba_of,
    have_headers,
    have_syncs,
    headers_of,
    places_of,
    user_data,
)
from mediashelf.formats.raw.verdicts import SectorVerdict
from mediashelf.formats.volume import SECTOR_SIZE
from mediashelf.integrity.raw.alignment import iter_aligned
from mediashelf.integrity.raw.files import read_bytes
from mediashelf.integrity.raw.tracks import RawTrack
from mediashelf.integrity.structure.damage import Span

_SECTORS_AT_ONCE = 128
"""What stays near the processor while it is read, judged and written."""

_SECTORS_TO_VOTE = 32
_ZEROS = bytes(4)

NOT_GIVEN = "the medium does not give them whole here"
"""The reason of sectors that a failing disk or card did not give."""


class SectorBatch(Struct):
    """Consecutive sectors of a track, as stored and judged.

    ``first`` is the index of the first sector in its track, and ``offset`` where that is
    in the track's file. ``judged`` holds, by
    index in the batch, every sector that is not simply good and of the track's
    mode. ``form_2`` and ``parity_damage`` are indexes of good sectors: those of
    form 2, and those whose parity does not hold (when it was read).
    """

    track: RawTrack
    first: int
    offset: int
    stored: bytes
    judged: dict[int, JudgedSector] = field(default_factory=dict)
    form_2: list[int] = field(default_factory=list)
    parity_damage: list[int] = field(default_factory=list)

    @property
    def sector_count(self) -> int:
        """How many sectors are in the batch."""
        return len(self.stored) // self.track.layout.size

    def place(self, index: int) -> int:
        """Return the offset in the track's file of the sector with this index in the batch."""
        return self.offset + index * self.track.layout.size

    def user_data(self) -> bytes:
        """Return 2048 bytes a sector: corrected where that was possible, else as stored."""
        data = user_data(self.stored, self.track.layout)
        if not self.judged:
            return data
        corrected = bytearray(data)
        for index, sector in self.judged.items():
            corrected[index * SECTOR_SIZE : (index + 1) * SECTOR_SIZE] = sector.user_data
        return bytes(corrected)


def iter_batches(
    track: RawTrack,
    first_lba: int,
    *,
    parity: bool = False,
    on_bytes: Callable[[int], None] = lambda amount: None,
) -> Iterator[SectorBatch]:
    """Yield the sectors of a data track in order, judged.

    ``first_lba`` is the block number that belongs to the first sector. A last
    sector that is cut short is judged with zeros in place of what is missing. Where bytes
    are missing or too many, the next sync tells where the next sector is.
    ``parity`` reads the parity of good sectors too. Sectors that hold user data
    alone come as they are. Raises :class:`InputError` when the file can't be read.
    """
    layout = track.layout
    lacks_checks = _lacks_checks(track, first_lba)
    for first, offset, chunk, gaps in iter_aligned(track, first_lba, _SECTORS_AT_ONCE):
        batch = SectorBatch(track, first, offset, chunk + bytes(-len(chunk) % layout.size))
        if not layout.is_plain:
            suspects = _judge_mode_1 if layout.mode == 1 else _judge_mode_2
            headers = _Headers(first_lba + first, batch.sector_count, layout.mode)
            for index in suspects(batch, headers):
                sector = _whole_sector(batch, index, headers[index])
                # What was cut off is zeros here too, and damage.
                is_whole = len(chunk) >= (index + 1) * layout.size
                judged = judge_sector(
                    sector, headers[index], lacks_checks=lacks_checks and is_whole
                )
                batch.judged[index] = _not_given(judged, batch.place(index), gaps)
            if parity:
                _read_parity(batch)
        yield batch
        on_bytes(len(chunk))


def _not_given(judged: JudgedSector, offset: int, gaps: Iterable[Span]) -> JudgedSector:
    """Of a sector that the medium did not give whole, say that, unless parity made it whole."""
    end = offset + RAW_SIZE
    is_whole = not any(gap.offset < end and sum(gap) > offset for gap in gaps)
    if is_whole or judged.verdict in (SectorVerdict.GOOD, SectorVerdict.CORRECTED):
        return judged
    return replace(judged, verdict=SectorVerdict.LOST, reason=NOT_GIVEN)


def _lacks_checks(track: RawTrack, first_lba: int) -> bool:
    """Tell by its first sectors with data whether the track was written without EDC and parity.

    Single sectors without them, in a track that has them, were not written that way.
    """
    layout, pitch = track.layout, track.layout.size
    if not layout.has_header:
        return False
    head = read_bytes(
        track.path, track.offset, min(_SECTORS_TO_VOTE * pitch, track.size), unreadable=[]
    )
    headers = headers_of(first_lba, len(head) // pitch, layout.mode)
    sectors = (head[index * pitch :][:RAW_SIZE] for index in range(len(headers)))
    kinds = [
        kind_without_check(sector, header)
        for sector, header in zip(sectors, headers, strict=True)
        if any(sector[16:])
    ]
    return bool(kinds) and kinds.count(None) * 2 < len(kinds)


class _Headers(Sequence[bytes]):
    """The headers of consecutive blocks, made when somebody looks at one."""

    def __init__(self, lba: int, count: int, mode: int) -> None:
        self.lba = lba
        self._count = count
        self._mode = mode

    @cached_property
    def _each(self) -> list[bytes]:
        return headers_of(self.lba, self._count, self._mode)

    def __getitem__(self, index: Any) -> Any:
        return self._each[index]

    def __len__(self) -> int:
        return self._count


def _judge_mode_1(batch: SectorBatch, headers: _Headers) -> Iterator[int]:
    """Yield the indexes of sectors that are not plainly good."""
    stored, size = batch.stored, batch.track.layout.size
    view, covered = memoryview(stored), EDC_OF_MODE_1.stop
    if have_syncs(stored, size) and have_headers(stored, size, headers.lba, mode=1):
        pieces = map(view.__getitem__, places_of(len(stored), 0, covered, size))
        yield from [index for index, found in enumerate(map(edc, pieces)) if found]
        return
    start = 0
    for index, header in enumerate(headers):
        if edc(view[start : start + covered]) or not stored.startswith(SYNC + header, start):
            yield index
        start += size


def _judge_mode_2(batch: SectorBatch, headers: Sequence[bytes]) -> Iterator[int]:
    stored, layout = batch.stored, batch.track.layout
    view, has_header = memoryview(stored), layout.has_header
    start = layout.body_offset
    for index, header in enumerate(headers):
        is_form_2 = stored[start + 2] & FORM_2_BIT
        end = start + (EDC_OF_FORM_2 if is_form_2 else EDC_OF_FORM_1).stop - 16
        if (
            edc(view[start:end])
            or stored[end - 4 : end] == _ZEROS  # none was recorded, or there are only zeros
            or (has_header and not stored.startswith(SYNC + header, start - 16))
        ):
            yield index
        elif is_form_2:
            batch.form_2.append(index)
        start += layout.size


def _whole_sector(batch: SectorBatch, index: int, header: bytes) -> bytes:
    start = index * batch.track.layout.size
    if batch.track.layout.has_header:
        return batch.stored[start : start + RAW_SIZE]
    return SYNC + header + batch.stored[start : start + RAW_SIZE - 16]


def _read_parity(batch: SectorBatch) -> None:
    layout = batch.track.layout
    skipped = {*batch.form_2, *batch.judged}
    damaged = find_parity_damage(
        batch.stored, layout.size, layout.body_offset - 4, header=layout.mode == 1
    )
    batch.parity_damage = [index for index in damaged if index not in skipped]


def find_first_lba(track: RawTrack) -> int | None:
    """Return the block number of the first sector by the headers of the first few, or None.

    Only the first, so that a sector that is missing later does not move the start.
    """
    pitch = track.layout.size
    if not track.layout.has_header:
        return None
    head = read_bytes(
        track.path, track.offset, min(_SECTORS_TO_VOTE * pitch, track.size), unreadable=[]
    )
    return first_lba_of(head, track.layout)
