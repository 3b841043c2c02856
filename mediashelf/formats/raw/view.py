"""The user data of a raw track as one run of bytes, found again after missing or surplus bytes."""

from __future__ import annotations

from mediashelf.formats.fields import View
from mediashelf.formats.raw.sectors import (
    SYNC,
    SectorLayout,
    first_lba_of,
    parse_header_lba,
    user_data,
)
from mediashelf.formats.volume import SECTOR_SIZE

_SECTORS_TO_VOTE = 32


class RawView:
    """The user data of a raw data track as one run of bytes, 2048 a sector, unchecked.

    A :class:`~mediashelf.formats.fields.View` over another one. Sectors of form 2
    show their first 2048 bytes. A last sector that is cut short shows what it has.
    Where no sync is in its place, the address after one nearby tells where the
    sector is: so bytes that were lost or inserted cost the sector that they were in.
    """

    def __init__(
        self,
        stored: View,
        layout: SectorLayout,
        *,
        offset: int = 0,
        sector_count: int | None = None,
    ) -> None:
        self._stored, self._layout, self._offset = stored, layout, offset
        self._first_lba: int | None = None
        self._drift = 0  # bytes too many before the sectors that were looked at last
        if layout.has_header:
            head = stored.read(offset, _SECTORS_TO_VOTE * layout.size)
            self._first_lba = first_lba_of(head, layout)
        size = self._find_size(max(stored.size - offset, 0))
        self._size = size if sector_count is None else min(size, sector_count * SECTOR_SIZE)

    def _find_size(self, available: int) -> int:
        whole, rest = divmod(available, self._layout.size)
        if rest and whole and self._first_lba is not None:
            # The last address tells how many sectors there are, if bytes are missing or too many.
            start = self._offset + (whole - 1) * self._layout.size
            tail = self._stored.read(start, self._layout.size + rest)
            at = tail.rfind(SYNC)
            lba = parse_header_lba(tail[at + 12 : at + 16]) if at > 0 else None
            if lba is not None and abs(lba - self._first_lba - whole) <= 1 + whole // 8:
                whole, rest = lba - self._first_lba, len(tail) - at
        whole, surplus = (whole + 1, 0) if rest >= self._layout.size else (whole, rest)
        return whole * SECTOR_SIZE + min(max(surplus - self._layout.user_offset, 0), SECTOR_SIZE)

    @property
    def size(self) -> int:
        """Bytes of user data."""
        return self._size

    def read(self, offset: int, size: int) -> bytes:
        """Return up to ``size`` bytes from ``offset``; fewer only at the end."""
        end = min(offset + size, self._size)
        if offset < 0 or end <= offset:
            return b""
        first, last = offset // SECTOR_SIZE, (end - 1) // SECTOR_SIZE
        data = self._read_sectors(first, last + 1 - first)
        skipped = offset - first * SECTOR_SIZE
        return data[skipped : skipped + end - offset]

    def _read_sectors(self, first: int, count: int) -> bytes:
        pitch = self._layout.size
        place = self._offset + first * pitch + self._drift
        stored = self._stored.read(max(place, 0), count * pitch)
        if self._first_lba is None or _is_in_step(stored, count, pitch):
            return user_data(stored, self._layout)
        sectors = (self._read_sector(first + index) for index in range(count))
        return b"".join([user_data(sector, self._layout) for sector in sectors])

    def _read_sector(self, index: int) -> bytes:
        pitch = self._layout.size
        place = self._offset + index * pitch + self._drift
        sector = self._stored.read(max(place, 0), pitch)
        if not sector.startswith(SYNC):
            place = self._find(index, place)
            sector = self._stored.read(place, pitch)
        return sector.ljust(pitch, b"\0") if (index + 1) * SECTOR_SIZE < self._size else sector

    def _find(self, index: int, expected: int) -> int:
        """Return where a sector is by the addresses near the place where it should be.

        It may be that its own sync is damaged; then the sectors around it tell. Of
        two places the one counts whose sector has its own address.
        """
        assert self._first_lba is not None
        pitch = self._layout.size
        start = max(expected - pitch, self._offset)
        window = self._stored.read(start, 4 * pitch)
        places = []
        at = window.find(SYNC)
        while at >= 0:
            lba = parse_header_lba(window[at + 12 : at + 16])
            if lba is not None and abs(lba - self._first_lba - index) <= 4:
                places.append(start + at - (lba - self._first_lba - index) * pitch)
            at = window.find(SYNC, at + 1)
        for place in places:
            header = self._stored.read(max(place, 0), 16)
            if header.startswith(SYNC) and parse_header_lba(header[12:]) == self._first_lba + index:
                self._drift = place - self._offset - index * pitch
                return place
        return max(places[0] if places else expected, 0)


def _is_in_step(stored: bytes, count: int, pitch: int) -> bool:
    """Tell whether all sectors begin with a sync, but for such a last one that is cut in it."""
    return len(stored) > (count - 1) * pitch and all(
        stored.startswith(SYNC, start) for start in range(0, len(stored), pitch)
    )
