"""Find the tracks of a raw image: from its cue sheet, or from the file alone."""

from __future__ import annotations

from pathlib import Path

from msgspec import Struct
from msgspec.structs import replace

from mediashelf.errors import FormatError
from mediashelf.findings import Finding, Severity
from mediashelf.formats.raw.cue import CueFile, CueSheet, CueTrack, parse_cue
from mediashelf.formats.raw.cue_words import LONGEST_SHEET, decode_cue
from mediashelf.formats.raw.layout import HEAD_SIZE, begins_scrambled, detect_layout
from mediashelf.formats.raw.sectors import LAYOUTS, RAW_SIZE, SectorLayout
from mediashelf.integrity.raw.files import file_size, find_named_file, is_absolute, read_bytes
from mediashelf.integrity.raw.sheet_findings import (
    check_sheet_beside,
    other_folder,
    scrambled,
    wrong_size,
)
from mediashelf.text import count_text

_MEASURED_TYPES = ("BINARY", "MOTOROLA")  # others hold audio in a format of their own


class RawTrack(Struct, frozen=True):
    """A track and where its sectors are.

    ``offset`` and ``size`` are bytes in the file at ``path``, from index 1 to the
    next track or the end. ``first_lba`` is the block number that belongs to the
    first sector, or None where nothing tells it.
    """

    number: int
    layout: SectorLayout
    path: Path
    offset: int
    size: int
    first_lba: int | None = None

    @property
    def sector_count(self) -> int:
        """How many sectors there are, with a last one that is cut short."""
        return -(-self.size // self.layout.size)


class RawDisc(Struct, frozen=True):
    """The tracks of a sheet or of a bare file, with what is wrong with their description."""

    path: Path
    tracks: tuple[RawTrack, ...]
    findings: tuple[Finding, ...] = ()


def is_sheet(path: Path) -> bool:
    """Tell by its name whether a file is a cue sheet."""
    return path.suffix.casefold() == ".cue"


def read_raw_disc(path: Path) -> RawDisc:
    """Return the tracks of a cue sheet, or of a bare file by what its sectors look like.

    Raises :class:`InputError` for what cannot be opened and :class:`FormatError`, with
    line and column, for a sheet that says what it should not. A bare file in which
    no sectors of data are recognised has no tracks, and a finding that says so.
    """
    if is_sheet(path):
        return _place_tracks(path, _read_sheet(path))
    size = file_size(path)
    layout = detect_layout(read_bytes(path, 0, HEAD_SIZE))
    if layout is None:
        return RawDisc(path, (), (_unrecognised(path, size),))
    track = RawTrack(1, layout, path, 0, size)
    findings = [_cut_short(track)] if size % layout.size else []
    if not layout.is_plain:
        findings += check_sheet_beside(path)
    return RawDisc(path, (track,), tuple(findings))


def _unrecognised(path: Path, size: int) -> Finding:
    head = read_bytes(path, 0, 2 * RAW_SIZE)
    if begins_scrambled(head):
        return scrambled(path.name, 0, size)
    return Finding(
        "no-data-sectors",
        Severity.ERROR,
        path.name,
        "No sectors of data are recognised: the file holds audio, or is not a disc image",
        remedy="if it begins with an audio track, name its cue sheet instead",
        expected="sectors of 2,048, 2,336, 2,352 or 2,448 bytes",
        offset=0,
        length=size,
    )


def _read_sheet(path: Path) -> CueSheet:
    file_size(path)
    try:
        return parse_cue(decode_cue(read_bytes(path, 0, LONGEST_SHEET + 1)))
    except FormatError as error:
        place = f"{error.at:#x}" if isinstance(error.at, int) else error.at
        raise FormatError(
            error.field, at=f"{path}: {place}", found=error.found, expected=error.expected
        ) from error


def _place_tracks(path: Path, sheet: CueSheet) -> RawDisc:
    tracks: list[RawTrack] = []
    findings: list[Finding] = []
    # Index 1 of the first track is block 0; a pregap before it has no block numbers.
    lba: int | None = -sheet.files[0].tracks[0].start
    for file in sheet.files:
        named = find_named_file(path, file)
        if is_absolute(file.name):
            findings.append(other_folder(path, file, named))
        placed = _tracks_in_file(file, named, file_size(named))
        corrected = _with_sizes_found(file, named)
        if corrected is not None:
            findings.append(wrong_size(path, file, corrected))
            placed = _tracks_in_file(corrected, named, file_size(named))
        for track, stored in zip(file.tracks, placed, strict=True):
            if lba is not None and tracks:
                lba += track.pregap
            tracks.append(replace(stored, first_lba=None if lba is None else lba + track.start))
            if lba is not None:
                lba += track.postgap
            findings += _place_findings(path, file, track, stored)
        if lba is not None:
            last, is_measured = placed[-1], file.kind in _MEASURED_TYPES
            lba = lba + file.tracks[-1].start + last.sector_count if is_measured else None
    return RawDisc(path, tuple(tracks), tuple(findings))


def _tracks_in_file(file: CueFile, path: Path, size: int) -> list[RawTrack]:
    """Return the file's tracks; each frame has the sector size of the track it belongs to."""
    starts, ends = [], []
    offset = frame = 0
    pitch = file.tracks[0].layout.size
    for track in file.tracks:
        ends.append(offset + (track.first - frame) * pitch)
        pitch = track.layout.size
        offset, frame = ends[-1] + (track.start - track.first) * pitch, track.start
        starts.append(offset)
    ends = [*ends[1:], size]
    if file.kind not in _MEASURED_TYPES:
        ends = starts
    return [
        RawTrack(track.number, track.layout, path, start, max(min(end, size) - start, 0))
        for track, start, end in zip(file.tracks, starts, ends, strict=True)
    ]


def _with_sizes_found(file: CueFile, path: Path) -> CueFile | None:
    """Return the file with the sector size that its first, data track really has, if another.

    A sheet made for 2352-byte sectors may be beside a file that has the
    subchannel too; then every track of that size begins elsewhere.
    """
    declared = file.tracks[0].layout
    found = detect_layout(read_bytes(path, 0, HEAD_SIZE)) if declared.is_data else None
    if found is None or found.size == declared.size:
        return None
    tracks = [
        replace(track, layout=_resized(track.layout, found.size))
        if track.layout.size == declared.size
        else track
        for track in file.tracks
    ]
    tracks[0] = replace(tracks[0], layout=found)
    return replace(file, tracks=tuple(tracks))


def _resized(layout: SectorLayout, size: int) -> SectorLayout:
    alike = (other for other in LAYOUTS.values() if (other.mode, other.size) == (layout.mode, size))
    return next(alike, layout)


def _place_findings(sheet: Path, file: CueFile, track: CueTrack, stored: RawTrack) -> list[Finding]:
    if file.kind in _MEASURED_TYPES and not stored.size:
        return [
            Finding(
                "track-beyond-file",
                Severity.ERROR,
                f"{sheet.name}, line {track.line}",
                f"Track {track.number} begins at or after the end of {stored.path.name}",
                remedy="get the whole file: it is shorter than its sheet says",
                found=f"{file_size(stored.path):,} bytes",
                expected=f"more than {stored.offset:,} bytes",
            )
        ]
    findings = [_cut_short(stored)] if stored.size % stored.layout.size else []
    is_raw = stored.layout.is_data and stored.layout.size == RAW_SIZE
    if is_raw and begins_scrambled(read_bytes(stored.path, stored.offset, 2 * RAW_SIZE)):
        where = f"{stored.path.name}, track {track.number}"
        findings.append(scrambled(where, stored.offset, stored.size))
    return findings


def _cut_short(track: RawTrack) -> Finding:
    """Return the finding that the track's last sector is not whole."""
    rest = track.size % track.layout.size
    return Finding(
        "track-cut-short",
        Severity.WARNING,
        f"{track.path.name}, track {track.number}",
        f"The last sector has only {rest} of its {track.layout.size:,} bytes",
        remedy="get the whole file; the verdict on the last sector says what is lost",
        found=count_text(track.size, "byte"),
        expected=f"a multiple of {track.layout.size}",
        offset=track.offset + track.size - rest,
        length=rest,
    )
