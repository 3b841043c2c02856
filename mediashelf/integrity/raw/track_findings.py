"""What an audit says of a whole track: what it is, where it begins, whether it is in step."""

from __future__ import annotations

from collections.abc import Sequence

from mediashelf.findings import Finding, Severity
from mediashelf.integrity.raw.tracks import RawTrack
from mediashelf.text import count_text

IN_STEP = "sectors-in-step"
"""The rule of tracks in which bytes before some sectors are missing or too many."""


def nothing_to_check(track: RawTrack) -> Finding:
    """The track is audio, or user data alone."""
    is_data = track.layout.is_data
    what = "holds user data alone" if is_data else "is audio"
    return Finding(
        "track-without-checks" if is_data else "track-audio",
        Severity.NOTE,
        _place(track),
        f"The track {what}: its {count_text(track.sector_count, 'sector')} "
        "have no checksum to verify",
        remedy="record digests of the file to notice later damage",
    )


def out_of_step(track: RawTrack, slips: Sequence[tuple[int, int]]) -> Finding:
    """Bytes are missing or too many; ``slips`` are block numbers and bytes too many before them."""
    lba, size = slips[0]
    what = f"{count_text(abs(size), 'byte')} {'missing' if size < 0 else 'too many'}"
    more = f", the first of such errors at {len(slips):,} places" if len(slips) > 1 else ""
    return Finding(
        IN_STEP,
        Severity.WARNING,
        f"{_place(track)}, LBA {lba}",
        f"{what} before this sector{more}; the sectors from it on were found by their sync",
        remedy="copy the file again; convert writes the sectors in their places",
        source="sector layout, Linux kernel uapi/linux/cdrom.h",
    )


def of_another_mode(track: RawTrack, count: int) -> Finding:
    """Some sectors are not of the mode that the sheet names."""
    return Finding(
        "track-mode",
        Severity.WARNING,
        _place(track),
        f"{count_text(count, 'sector')} of this {track.layout.name} track "
        f"{'is' if count == 1 else 'are'} of another mode; each was judged by its own",
        remedy="correct the track's type in the sheet",
    )


def begins_elsewhere(track: RawTrack, found_lba: int) -> Finding:
    """The headers of the sectors begin at another block than the sheet says."""
    return Finding(
        "track-address",
        Severity.WARNING,
        _place(track),
        f"The sector headers say that the track begins at LBA {found_lba}",
        remedy="get the whole disc, if this is a part of one: places inside the volume "
        "may count from the disc's start",
        source="common practice",
        found=f"LBA {found_lba}",
        expected=f"LBA {track.first_lba or 0}",
    )


def _place(track: RawTrack) -> str:
    return f"{track.path.name}, track {track.number}"
