"""Sectors as discs carry them and as files store them: layout, address, EDC, encoding.

======  ====  ======  =========  ============  ====  =========  ===
form    sync  header  subheader  user data     EDC   zero       P, Q
======  ====  ======  =========  ============  ====  =========  ===
mode 1    12       4                     2048     4          8  276
form 1    12       4          8          2048     4             276
form 2    12       4          8          2324     4
======  ====  ======  =========  ============  ====  =========  ===

Forms 1 and 2 belong to mode 2. All of them have 2352 bytes; files may leave out the
sync and header (2336), or add 96 bytes of subchannel (2448), or hold the user
data alone (2048). Sectors in files are not scrambled.

Sources: the layouts are those of the Linux kernel's ``uapi/linux/cdrom.h``; the EDC
is CRC-32/CD-ROM-EDC of the RevEng catalogue. What the EDC and the parity cover was
confirmed by computing more than 1,400 sectors that others had made.
"""

from __future__ import annotations

from collections import Counter
from enum import StrEnum
from functools import lru_cache

from fastcrc import crc32
from msgspec import Struct

from mediashelf.formats.raw.parity import parity_of
from mediashelf.formats.volume import SECTOR_SIZE

SYNC = b"\x00" + b"\xff" * 10 + b"\x00"
RAW_SIZE = 2352
FORM_2_SIZE = 2324

HEADER = slice(12, 16)
SUBHEADER = slice(16, 24)
_MODE_1_DATA = 16
_MODE_2_DATA = 24
EDC_OF_MODE_1 = slice(0, 2068)
"""The bytes that the EDC of mode 1 covers, with the EDC itself at their end."""
EDC_OF_FORM_1 = slice(16, 2076)
EDC_OF_FORM_2 = slice(16, 2352)

FORM_2_BIT = 0x20  # in the submode, the third byte of the subheader
FRAMES_PER_SECOND = 75
FIRST_ADDRESS = 150
"""Block 0 has the address 00:02:00 (kernel: ``CD_MSF_OFFSET``)."""
ADDRESSES = 100 * 60 * FRAMES_PER_SECOND
"""How many addresses two decimal digits of minutes can tell apart."""

edc = crc32.cd_rom_edc
"""Return the EDC of some bytes; over bytes that end in their own EDC it is 0."""


class SectorKind(StrEnum):
    """What a raw sector is by its header and subheader."""

    EMPTY = "mode 0"
    MODE_1 = "mode 1"
    FORM_1 = "mode 2 form 1"
    FORM_2 = "mode 2 form 2"

    @property
    def data_offset(self) -> int:
        """Where the user data starts in a raw sector."""
        return _MODE_2_DATA if self in (SectorKind.FORM_1, SectorKind.FORM_2) else _MODE_1_DATA


class SectorLayout(Struct, frozen=True):
    """How a file stores each sector of a track; ``mode`` is 0 for audio, 1 or 2 for data."""

    name: str
    size: int
    mode: int

    @property
    def is_data(self) -> bool:
        """Whether the track holds data, not audio."""
        return self.mode > 0

    @property
    def is_plain(self) -> bool:
        """Whether only user data is stored: there is nothing to check a sector by."""
        return self.size == SECTOR_SIZE

    @property
    def has_header(self) -> bool:
        """Whether sync and header are stored."""
        return self.is_data and self.size >= RAW_SIZE

    @property
    def body_offset(self) -> int:
        """Where byte 16 of a raw sector (after the header) is in a stored one."""
        return 16 if self.has_header else 0

    @property
    def user_offset(self) -> int:
        """Where the user data starts in a stored sector."""
        if self.is_plain:
            return 0
        return self.body_offset + (_MODE_2_DATA - 16 if self.mode == 2 else 0)


LAYOUTS = {
    layout.name: layout
    for layout in (
        SectorLayout("AUDIO", 2352, 0),
        SectorLayout("CDG", 2448, 0),
        SectorLayout("MODE1/2048", 2048, 1),
        SectorLayout("MODE1/2352", 2352, 1),
        SectorLayout("MODE1/2448", 2448, 1),
        SectorLayout("MODE2/2048", 2048, 2),
        SectorLayout("MODE2/2336", 2336, 2),
        SectorLayout("MODE2/2352", 2352, 2),
        SectorLayout("MODE2/2448", 2448, 2),
        SectorLayout("CDI/2336", 2336, 2),
        SectorLayout("CDI/2352", 2352, 2),
    )
}
"""Every layout by the word that cue sheets use for it."""

_BCD = bytes(value // 10 << 4 | value % 10 for value in range(100))
_FROM_BCD = {code: value for value, code in enumerate(_BCD)}


def address_of(lba: int) -> tuple[int, int, int]:
    """Return minutes, seconds, frames of a block from -150 on; ValueError beyond 99:59:74."""
    frames = lba + FIRST_ADDRESS
    if not 0 <= frames < ADDRESSES:
        raise ValueError(f"block {lba} has no address: they end at 99:59:74")
    seconds, frame = divmod(frames, FRAMES_PER_SECOND)
    return *divmod(seconds, 60), frame


def lba_of(minute: int, second: int, frame: int) -> int:
    """Return the block number of an address."""
    return (minute * 60 + second) * FRAMES_PER_SECOND + frame - FIRST_ADDRESS


def header_of(lba: int, mode: int) -> bytes:
    """Return the 4-byte header of a block: address in binary-coded decimal, then the mode."""
    minute, second, frame = address_of(lba)
    return bytes((_BCD[minute], _BCD[second], _BCD[frame], mode))


def headers_of(lba: int, count: int, mode: int) -> list[bytes]:
    """Return the headers of consecutive blocks; after the last address the first one follows."""
    ends = [bytes((_BCD[frame], mode)) for frame in range(FRAMES_PER_SECOND)]
    headers: list[bytes] = []
    seconds, frame = divmod((lba + FIRST_ADDRESS) % ADDRESSES, FRAMES_PER_SECOND)
    while len(headers) < count:
        minute, second = divmod(seconds % (ADDRESSES // FRAMES_PER_SECOND), 60)
        start = bytes((_BCD[minute], _BCD[second]))
        headers += [start + end for end in ends[frame : frame + count - len(headers)]]
        seconds, frame = seconds + 1, 0
    return headers


def parse_header_lba(header: bytes) -> int | None:
    """Return the block number that a header says, or None where it holds no address."""
    try:
        minute, second, frame = (_FROM_BCD[code] for code in header[:3])
    except (KeyError, ValueError):
        return None
    if second >= 60 or frame >= FRAMES_PER_SECOND:
        return None
    return lba_of(minute, second, frame)


def have_syncs(stored: bytes, pitch: int) -> bool:
    """Tell whether all of these sectors begin with a sync; quick where they do."""
    count = -(-len(stored) // pitch)
    return all(stored[at::pitch] == SYNC[at : at + 1] * count for at in range(len(SYNC)))


def have_headers(stored: bytes, pitch: int, lba: int, mode: int) -> bool:
    """Tell whether these sectors have the headers of blocks from ``lba`` on after their syncs."""
    count = -(-len(stored) // pitch)
    first, mode_byte = len(SYNC), bytes((mode,))
    if stored[first + 3 :: pitch] != mode_byte * count:
        return False
    seconds, frame = divmod((lba + FIRST_ADDRESS) % ADDRESSES, FRAMES_PER_SECOND)
    done, minutes_of, seconds_of, frames = 0, b"", b"", b""
    while done < count:
        minute, second = divmod(seconds % (ADDRESSES // FRAMES_PER_SECOND), 60)
        here = min(FRAMES_PER_SECOND - frame, count - done)
        minutes_of += _BCD[minute : minute + 1] * here
        seconds_of += _BCD[second : second + 1] * here
        frames += _BCD[frame : frame + here]
        done, seconds, frame = done + here, seconds + 1, 0
    columns = (minutes_of, seconds_of, frames)
    return all(stored[first + at :: pitch] == column for at, column in enumerate(columns))


def first_lba_of(head: bytes, layout: SectorLayout) -> int | None:
    """Return the block number of a track's first sector by the headers of the first few, or None.

    The majority counts, in step with each other.
    """
    votes: Counter[int] = Counter()
    for index, start in enumerate(range(0, len(head), layout.size)):
        lba = parse_header_lba(head[start + 12 : start + 16])
        if head.startswith(SYNC, start) and lba is not None:
            votes[(lba + FIRST_ADDRESS - index) % ADDRESSES - FIRST_ADDRESS] += 1
    winners = votes.most_common(1)
    return winners[0][0] if winners and winners[0][1] * 2 > votes.total() else None


def encode_mode_1(data: bytes, lba: int) -> bytes:
    """Return the raw sector of mode 1 for 2048 bytes of user data."""
    if len(data) != SECTOR_SIZE:
        raise ValueError(
            f"user data has {len(data):,} bytes, a sector of mode 1 takes {SECTOR_SIZE:,}"
        )
    covered = SYNC + header_of(lba, 1) + data
    body = covered[12:] + edc(covered).to_bytes(4, "little") + bytes(8)
    return SYNC + body + parity_of(body)


def user_data(stored: bytes, layout: SectorLayout) -> bytes:
    """Return the user data of stored sectors, joined: 2048 bytes of each, unchecked."""
    if layout.is_plain:
        return stored
    places = places_of(len(stored), layout.user_offset, SECTOR_SIZE, layout.size)
    return b"".join(map(memoryview(stored).__getitem__, places))


@lru_cache(8)
def places_of(size: int, start: int, length: int, pitch: int) -> tuple[slice, ...]:
    """Return where ``length`` bytes of each sector are in ``size`` bytes, from ``start`` on."""
    return tuple(slice(at, at + length) for at in range(start, size, pitch))
