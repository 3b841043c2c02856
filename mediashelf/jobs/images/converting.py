"""The data track of a raw image becomes an image of its own."""

from __future__ import annotations

from pathlib import Path

from msgspec import Struct

from mediashelf.integrity.raw.convert import Conversion, choose_track, convert_track
from mediashelf.integrity.raw.tracks import read_raw_disc
from mediashelf.jobs.progress import Progress, no_progress


class ConvertRequest(Struct, frozen=True):
    """What to convert, and how; ``track_number`` is None for the only track with data."""

    source: Path
    output: Path
    track_number: int | None = None
    anyway: bool = False
    zero_lost: bool = False
    parity: bool = False
    replace: bool = False


def convert_image(request: ConvertRequest, *, progress: Progress = no_progress) -> Conversion:
    """Write the track, unless what was found in it forbids that; see :func:`convert_track`."""
    disc = read_raw_disc(request.source)
    track = choose_track(disc, request.track_number)
    with progress("converting", total=track.size) as on_bytes:
        return convert_track(
            disc,
            track,
            request.output,
            anyway=request.anyway,
            zero_lost=request.zero_lost,
            parity=request.parity,
            replace=request.replace,
            on_bytes=on_bytes,
        )
