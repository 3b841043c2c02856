"""Look at a raw image: which track is served, is every sector sound, what does it hold?"""

from __future__ import annotations

from collections.abc import Callable, Iterator

from msgspec import Struct
from msgspec.structs import replace

from mediashelf.errors import ConversionError
from mediashelf.findings import Finding, Severity
from mediashelf.formats.disc import read_disc
from mediashelf.formats.volume import DiscFacts
from mediashelf.integrity.fixity.digests import Digester
from mediashelf.integrity.raw.auditing import TrackReport, findings_beside
from mediashelf.integrity.raw.convert import choose_track, read_converted
from mediashelf.integrity.raw.tracks import RawDisc, read_raw_disc
from mediashelf.integrity.raw.view import TrackView
from mediashelf.integrity.structure.parts import check_structure
from mediashelf.sessions.discs.boot_floppy import find_cd_start
from mediashelf.sessions.discs.served_bytes import ServedBytes, read_stamp
from mediashelf.sessions.discs.served_image import ServedImage
from mediashelf.sessions.discs.ways_out import fit_to_serve
from mediashelf.sessions.emulator import RAW_SOURCE
from mediashelf.sessions.plans.plan_disc import PlanDisc
from mediashelf.sessions.plans.resolve import SourceFile
from mediashelf.sessions.reading_back import ALGORITHMS, as_file_digests, digest_whole
from mediashelf.text import count_text

OnBytes = Callable[[int], None]

_AUDIO_SOURCE = "measured on Linux 6.1 and 7.2: one data track is shown, reading audio is refused"

_PUT_RIGHT = frozenset({"sector-corrected", "sector-parity"})
"""Rules of damage that the converted image does not have any more."""


class _TrackDisc(Struct, frozen=True):
    """The disc in a track."""

    facts: DiscFacts
    view: TrackView


def look_at_tracks(file: SourceFile, disc: PlanDisc, on_bytes: OnBytes) -> ServedImage:
    """Read the data track of a cue sheet or a bare raw file to its end, every sector judged.

    Nothing is written: what the image on the card will be, with damage corrected
    where its parity allows, is known from this pass. Raises :class:`InputError` and
    :class:`FormatError` for a file or sheet that cannot be read or understood.
    """
    path, where = file.path, str(file.path)
    raw = read_raw_disc(path)
    if raw.tracks and not any(track.layout.is_data for track in raw.tracks):
        return ServedImage(file, DiscFacts(0, looks_raw=True), (*raw.findings, _only_audio(raw)))
    try:
        track = choose_track(raw, disc.track)
    except ConversionError as error:
        problem = _no_choice(raw, disc.track, str(error).removeprefix(f"{path}: "))
        return ServedImage(file, DiscFacts(0, looks_raw=True), (*raw.findings, problem))
    stamp = read_stamp(track.path)
    view = TrackView(track)
    facts, structure = read_disc(view)
    padding, served = fit_to_serve(facts.size, where, pad=disc.pad)
    digester = Digester(ALGORITHMS, block_size=0)
    report, found = read_converted(track, digester.update, on_bytes=on_bytes)
    digester.update(bytes(padding))
    findings = (
        *findings_beside(raw, [report]),
        *structure,
        *check_structure(_TrackDisc(facts, view)),
        # The reader of volumes has said already when there is none.
        *(_as_converted(one) for one in found if one.rule != "no-volume"),
        *_left_out(raw, where),
        _converted(report, where),
        *served,
    )
    image = ServedBytes(track.path, facts.size + padding, stamp, padding, track)
    return ServedImage(
        file,
        replace(facts, size=image.size),
        findings,
        image,
        as_file_digests(digester.finish()),
        digest_whole(track.path, on_bytes=on_bytes),
        find_cd_start(facts, view),
    )


def _only_audio(raw: RawDisc) -> Finding:
    tracks = count_text(len(raw.tracks), "track")
    return Finding(
        "emulator-plays-no-sound",
        Severity.ERROR,
        str(raw.path),
        f"the disc has {tracks} of audio and no data; the emulated drive shows one data track and "
        "plays no audio",
        "remove it from the plan: play it in a real drive, or put its audio as files into a recipe",
        _AUDIO_SOURCE,
    )


def _no_choice(raw: RawDisc, wanted: int | None, problem: str) -> Finding:
    numbers = [str(track.number) for track in raw.tracks if track.layout.is_data]
    choices = " or ".join(f"track = {number}" for number in numbers)
    is_choice = bool(numbers) and (wanted is not None or len(numbers) > 1)
    return Finding(
        "track-to-serve",
        Severity.ERROR,
        str(raw.path),
        problem.replace("; say --track NUMBER", ""),
        f"say {choices} for this disc in the plan" if is_choice else "get the complete image",
        found="" if wanted is None else f"track {wanted}",
    )


def _left_out(raw: RawDisc, where: str) -> Iterator[Finding]:
    """Yield a finding when a disc of data has sound as well."""
    sound = [str(track.number) for track in raw.tracks if not track.layout.is_data]
    if sound:
        yield Finding(
            "emulator-leaves-sound-out",
            Severity.WARNING,
            where,
            f"the disc also has audio ({count_text(len(sound), 'track')}: {', '.join(sound)}), "
            "which the emulated drive does not play",
            "use a real drive where the audio is needed; the data is served",
            _AUDIO_SOURCE,
        )


def _as_converted(finding: Finding) -> Finding:
    """Return a track's finding as it counts for the image on the card."""
    if finding.rule in _PUT_RIGHT:
        remedy = "nothing for this session: the image on the card has the right data"
        return replace(finding, severity=Severity.NOTE, remedy=remedy)
    return replace(finding, remedy=finding.remedy.replace("convert --anyway", "prepare --anyway"))


def _converted(report: TrackReport, where: str) -> Finding:
    track = report.track
    changed = report.bytes_corrected
    right = f", with {count_text(changed, 'byte')} corrected" if changed else ""
    return Finding(
        "image-is-converted",
        Severity.NOTE,
        where,
        f"the image on the card is made from track {track.number} ({track.layout.name}) of "
        f"{track.path.name}{right}; the file itself stays as it is",
        "nothing; the manifest has the digests of both",
        RAW_SOURCE,
    )
