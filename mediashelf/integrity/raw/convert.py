"""Write the data track of a raw image as an image of 2048-byte sectors."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

from msgspec import Struct

from mediashelf.disk_writer import write_to_disk
from mediashelf.errors import BlockedError, ConversionError
from mediashelf.files import whole_output
from mediashelf.findings import Finding, Severity
from mediashelf.formats.raw.sectors import FORM_2_SIZE, SectorKind
from mediashelf.formats.raw.verdicts import SectorVerdict
from mediashelf.formats.volume import SECTOR_SIZE
from mediashelf.integrity.fixity.reading import has_changed
from mediashelf.integrity.raw.auditing import TrackAuditor, TrackReport, findings_beside
from mediashelf.integrity.raw.files import file_status
from mediashelf.integrity.raw.scan import SectorBatch
from mediashelf.integrity.raw.tracks import RawDisc, RawTrack
from mediashelf.text import count_text

_BLOCKING = frozenset({"sector-lost", "sector-misplaced", "form-2-cut"})
"""Rules of findings that keep a conversion from being written."""


class Conversion(Struct, frozen=True):
    """What a conversion found, and whether it was written.

    ``size`` is the image's size in bytes. ``findings`` holds those of the track and
    of the conversion itself. ``is_written`` is False when findings blocked it.
    """

    report: TrackReport
    output: Path
    size: int
    is_written: bool
    findings: tuple[Finding, ...]


def choose_track(disc: RawDisc, number: int | None = None) -> RawTrack:
    """Return the track to convert: the one with this number, or the only data track.

    Raises :class:`ConversionError` where there is no such track, or it is audio, or
    has no sectors, or several data tracks leave the choice open.
    """
    if not disc.tracks:
        raise ConversionError("; ".join(f"{item.where}: {item.message}" for item in disc.findings))
    if number is None:
        data_tracks = [track for track in disc.tracks if track.layout.is_data]
        if not data_tracks:
            raise ConversionError(f"{disc.path}: {_audio_text(disc)}; there is no data to convert")
        if len(data_tracks) > 1:
            numbers = _numbers_text(data_tracks)
            raise ConversionError(f"{disc.path}: tracks {numbers} hold data; say --track NUMBER")
        chosen = data_tracks[0]
    else:
        chosen = _find_track(disc, number)
    if not chosen.layout.is_data:
        raise ConversionError(
            f"{disc.path}: track {chosen.number} is audio: it has no sectors of data, "
            "and an emulated drive plays no sound"
        )
    if chosen.layout.is_plain and chosen.path == disc.path:
        raise ConversionError(
            f"{disc.path}: holds sectors of {SECTOR_SIZE:,} bytes already; use it as it is"
        )
    if not chosen.size:
        raise ConversionError(
            f"{disc.path}: track {chosen.number} has no sectors in {chosen.path.name}"
        )
    return chosen


def _find_track(disc: RawDisc, number: int) -> RawTrack:
    for track in disc.tracks:
        if track.number == number:
            return track
    numbers = _numbers_text(disc.tracks)
    raise ConversionError(f"{disc.path}: there is no track {number}; there are: {numbers}")


def _audio_text(disc: RawDisc) -> str:
    word = "track" if len(disc.tracks) == 1 else "tracks"
    verb = "is" if len(disc.tracks) == 1 else "are"
    return f"{word} {_numbers_text(disc.tracks)} {verb} audio"


def _numbers_text(tracks: Sequence[RawTrack]) -> str:
    return ", ".join(str(track.number) for track in tracks)


def convert_track(
    disc: RawDisc,
    track: RawTrack,
    output: Path,
    *,
    anyway: bool = False,
    zero_lost: bool = False,
    parity: bool = False,
    replace: bool = False,
    on_bytes: Callable[[int], None] = lambda amount: None,
) -> Conversion:
    """Write a data track's user data to ``output``, 2048 bytes a sector, each one judged.

    Damage that the parity can correct is corrected in the output only. Findings
    of the rules in :data:`_BLOCKING` keep it from being written unless ``anyway``:
    then lost sectors are in it as they were read, or as zeros with ``zero_lost``.
    Raises :class:`OutputError` for an output that exists (unless ``replace``) or can't
    be written, :class:`ConversionError` for an output that is a source or a source that
    changes meanwhile, and :class:`InputError` when a file can't be read.
    """
    for source in {disc.path, *(other.path for other in disc.tracks)}:
        if output.exists() and output.samefile(source):
            raise ConversionError(f"{output}: is the source itself; name another file")
    before = file_status(track.path)
    try:
        with whole_output(output, replace=replace) as temporary:
            with write_to_disk(temporary) as write:
                report, own = read_converted(
                    track, write, parity=parity, zero_lost=zero_lost, on_bytes=on_bytes
                )
            if has_changed(track.path, before):
                raise ConversionError(
                    f"{track.path}: changed while it was read; nothing was written. Convert it "
                    "when nothing writes to it any more"
                )
            findings = (*findings_beside(disc, [report]), *own)
            blocked = not anyway and any(finding.rule in _BLOCKING for finding in findings)
            if blocked:
                raise BlockedError(str(output))
    except BlockedError:
        pass
    size = report.sector_count * SECTOR_SIZE
    return Conversion(report, output, size, not blocked, findings)


def read_converted(
    track: RawTrack,
    on_data: Callable[[bytes], object],
    *,
    parity: bool = False,
    zero_lost: bool = False,
    on_bytes: Callable[[int], None] = lambda amount: None,
) -> tuple[TrackReport, tuple[Finding, ...]]:
    """Hand a data track's user data to ``on_data``, piece by piece, as a conversion writes it.

    Returns the track's report, and its findings with those that only a conversion
    has. Raises :class:`InputError` when the file can't be read.
    """
    auditor = TrackAuditor(track, parity=parity)
    has_volume, cut = False, 0
    for batch in auditor.iter_batches(on_bytes):
        data = batch.user_data()
        if batch.first == 0:
            has_volume = _has_volume(data)
        cut += _count_cut(batch)
        on_data(_with_zeros(data, batch) if zero_lost else data)
    report = auditor.report()
    findings = list(report.findings)
    if cut:
        findings.append(_cut_finding(track, cut))
    if not has_volume:
        findings.append(_no_volume(track))
    return report, tuple(findings)


def _with_zeros(data: bytes, batch: SectorBatch) -> bytes:
    changed = bytearray(data)
    for index, sector in batch.judged.items():
        if sector.verdict is SectorVerdict.LOST:
            changed[index * SECTOR_SIZE : (index + 1) * SECTOR_SIZE] = bytes(SECTOR_SIZE)
    return bytes(changed)


def _count_cut(batch: SectorBatch) -> int:
    """Return how many sectors of form 2 hold more than zeros after their first 2048 bytes."""
    layout = batch.track.layout
    candidates = batch.form_2 + [
        index
        for index, sector in batch.judged.items()
        if sector.kind is SectorKind.FORM_2 and sector.verdict is not SectorVerdict.LOST
    ]
    starts = (index * layout.size + layout.body_offset + 8 for index in candidates)
    return sum(any(batch.stored[start + SECTOR_SIZE : start + FORM_2_SIZE]) for start in starts)


def _cut_finding(track: RawTrack, cut: int) -> Finding:
    return Finding(
        "form-2-cut",
        Severity.ERROR,
        f"{track.path.name}, track {track.number}",
        f"{count_text(cut, 'sector')} of mode 2 form 2 hold {FORM_2_SIZE:,} bytes, "
        f"of which an image of {SECTOR_SIZE}-byte sectors keeps the first {SECTOR_SIZE}",
        remedy="convert --anyway writes them cut; what needs them whole, such as film, fails",
        source="sector layouts of the Linux kernel's uapi/linux/cdrom.h",
    )


def _has_volume(data: bytes) -> bool:
    identifiers = (data[sector * SECTOR_SIZE + 1 :][:5] for sector in range(16, 32))
    return any(identifier in (b"CD001", b"NSR02", b"NSR03") for identifier in identifiers)


def _no_volume(track: RawTrack) -> Finding:
    return Finding(
        "no-volume",
        Severity.WARNING,
        f"{track.path.name}, track {track.number}",
        "No volume descriptor is in the track's sectors 16 to 31: readers will see no files",
        remedy="check that this is the track that holds the volume",
        source="ECMA-119 6.7.1",
    )
