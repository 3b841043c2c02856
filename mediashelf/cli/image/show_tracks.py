"""The tracks of a raw image, for ``show``."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from mediashelf.cli.documents import chosen
from mediashelf.cli.render import say, say_wrapped, table
from mediashelf.errors import MediashelfError
from mediashelf.formats.raw.sectors import SectorLayout
from mediashelf.integrity.raw.tracks import RawTrack, read_raw_disc


def say_tracks(path: Path) -> None:
    """Print a table of the tracks of a cue sheet or a bare raw file, or why there is none."""
    try:
        tracks = read_raw_disc(path).tracks
    except MediashelfError as error:
        say_wrapped(f"tracks cannot be told: {error}")
        return
    rows = [
        (
            track.path.name,
            str(track.number),
            _kind(track.layout),
            str(track.layout.size),
            f"{track.sector_count:,}",
            "" if track.first_lba is None else str(track.first_lba),
        )
        for track in tracks
    ]
    headers = ["file", "track", "holds", "bytes a sector", "sectors", "first LBA"]
    right = "track, bytes a sector, sectors, first LBA"
    for line in table(headers, rows, right=right):
        say(line)


def tracks_json(path: Path) -> list[dict[str, Any]]:
    """Return the same for JSON; the list is empty where the tracks cannot be told."""
    try:
        tracks = read_raw_disc(path).tracks
    except MediashelfError:
        return []
    return [track_dict(track) for track in tracks]


def track_dict(track: RawTrack) -> dict[str, Any]:
    """Return the JSON form of a track."""
    return {
        "type": track.layout.name,
        "file": str(track.path),
        **chosen(track, "number", "offset", "sector_count", "first_lba"),
    }


def _kind(layout: SectorLayout) -> str:
    return f"data, mode {layout.mode}" if layout.is_data else "audio"
