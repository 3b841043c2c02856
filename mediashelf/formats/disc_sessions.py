"""Later sessions of a disc that was written in several: where they start in a flat image.

The descriptors of a session are at its first sector plus 16, as the Linux kernel 6.12
looks for them (fs/isofs/inode.c); extents count from the start of the disc in each.
"""

from __future__ import annotations

from mediashelf.formats.fields import View, parse_both_32
from mediashelf.formats.iso.descriptors import FIRST_DESCRIPTOR
from mediashelf.formats.iso.directories.directory_records import SELF_IDENTIFIER
from mediashelf.formats.iso.volume_descriptor import parse_root_record
from mediashelf.formats.problem_log import ProblemLog
from mediashelf.formats.volume import SECTOR_SIZE

_HEAD = b"\x01CD001\x01"  # ECMA-119 8.1: type, standard identifier, version
_MOST_SESSIONS = 99  # as many tracks as a CD can have, from memory
# Writers leave 11,400 sectors after the first session and 6,900 after others (from memory).
_FARTHEST = 16_384  # sectors after a volume in which the next session is looked for
_CHUNK = 512  # sectors that are read at once


def find_later_sessions(view: View, volume_end: int) -> tuple[int, ...]:
    """Return the first sectors of the sessions after the volume that ends at ``volume_end``.

    The root directory of a session must be in it. A size that is too small, as zero, does not make
    a session of the first descriptors.
    """
    starts: list[int] = []
    end = max(volume_end, FIRST_DESCRIPTOR + 1)
    while len(starts) < _MOST_SESSIONS:
        lba = _next_descriptor(view, end)
        if lba is None:
            break
        starts.append(lba - FIRST_DESCRIPTOR)
        space = parse_both_32(view.read(lba * SECTOR_SIZE + 80, 8)).likely(view.size)
        end = max(starts[-1] + space, lba + 1)
    return tuple(starts)


def log_sessions(starts: tuple[int, ...], log: ProblemLog) -> None:
    """Log that an image has several sessions, and which one is read."""
    if len(starts) < 2:
        return
    listed = ", ".join(f"{start:,}" for start in starts)
    log.add(
        "last-session-read",
        "image",
        f"the image has {len(starts)} sessions, which start at LBA {listed}; the last one was "
        "read, but of an emulated drive systems show the first",
        offset=(starts[-1] + FIRST_DESCRIPTOR) * SECTOR_SIZE,
        found=f"{len(starts)} sessions",
        expected="one session",
    )


def _next_descriptor(view: View, start: int) -> int | None:
    """Return the sector of the next primary volume descriptor that begins a session."""
    stop = min(start + _FARTHEST, view.size // SECTOR_SIZE)
    for first in range(start, stop, _CHUNK):
        data = view.read(first * SECTOR_SIZE, min(_CHUNK, stop - first) * SECTOR_SIZE)
        at = data.find(_HEAD)
        while at >= 0:
            lba = first + at // SECTOR_SIZE
            if not at % SECTOR_SIZE and _begins_session(view, lba):
                return lba
            at = data.find(_HEAD, at + 1)
    return None


def _begins_session(view: View, lba: int) -> bool:
    """Whether the root directory of a descriptor comes after it, and begins with its self record.

    In the copy of a whole other image, numbers count from where that one starts.
    """
    root = parse_root_record(view.read(lba * SECTOR_SIZE + 156, 34).ljust(34, b"\0"))
    if root.length != 34 or not root.extent.agrees or root.extent.value <= lba:
        return False
    itself = parse_root_record(view.read(root.extent.value * SECTOR_SIZE, 34).ljust(34, b"\0"))
    return itself.extent == root.extent and itself.identifier == SELF_IDENTIFIER
