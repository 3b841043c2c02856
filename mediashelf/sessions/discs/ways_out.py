"""What becomes of an image that the emulator cannot serve as it is.

Raw sectors are converted on the way to the card (:mod:`mediashelf.sessions.discs.look_raw`),
what is too small or ends inside a block is filled up with zeros where the plan asks
for it, what is too large is refused, and sound is explained.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from msgspec.structs import replace

from mediashelf.findings import Finding, Severity
from mediashelf.formats.structure_rules import TRUNCATING_RULE
from mediashelf.formats.volume import SECTOR_SIZE
from mediashelf.sessions.emulator import (
    BLOCK_SIZE,
    DISK_BLOCK,
    MAX_SIZE,
    MIN_BLOCKS,
    MIN_SIZE,
    Presentation,
    check_lun,
)
from mediashelf.text import count_text

_PADDED_RULES = ("emulator-smallest-disc", "emulator-whole-blocks")

_PAD = "add zeros to the copy: pad = true for this disc in the plan, or prepare --pad"

_WHOLE = "zeros cannot replace missing data; see what else is wrong with this image"

_NO_DISC = frozenset(("no-volume", "image-is-unpacked"))


def is_disc(structure: Iterable[Finding]) -> bool:
    """Tell whether an image is a disc at all: of none nothing else is worth a word."""
    return not any(finding.rule in _NO_DISC for finding in structure)


def is_to_pad(structure: Iterable[Finding]) -> bool:
    """Tell whether zeros after an image can make it one that is served; by what is wrong inside."""
    found = tuple(structure)
    return is_disc(found) and not any(one.rule == TRUNCATING_RULE for one in found)


def as_not_padded(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """Return findings of the emulator for an image that zeros do not help."""
    return tuple(
        replace(one, remedy=_WHOLE) if one.rule in _PADDED_RULES else one for one in findings
    )


def padding_of(size: int, presentation: Presentation = "optical") -> int:
    """Return how many zeros after an image of ``size`` bytes make it one that is served whole."""
    if presentation == "disk":
        return -size % DISK_BLOCK.value
    if size > MAX_SIZE:
        return 0
    whole = -(-size // SECTOR_SIZE) * SECTOR_SIZE
    return max(whole, MIN_SIZE) - size


def fit_to_serve(
    size: int,
    where: str,
    *,
    pad: bool,
    may_pad: bool = True,
    presentation: Presentation = "optical",
    is_hybrid: bool = False,
) -> tuple[int, tuple[Finding, ...]]:
    """Return the zeros to add to an image of ``size`` bytes, and what is found about its size.

    Without ``pad`` nothing is added, and the findings say how to ask for it; zeros
    do not help with an image that lacks what they would stand for: see :func:`is_to_pad`.
    """
    helps = padding_of(size, presentation)
    padding = helps if pad else 0
    remedy = _PAD if may_pad else _WHOLE
    found = [
        replace(one, remedy=remedy) if helps and one.rule in _PADDED_RULES else one
        for one in check_lun(
            size + padding, where=where, presentation=presentation, is_hybrid=is_hybrid
        )
    ]
    if padding:
        found.append(_padded(size, padding, where))
    return padding, tuple(found)


def ignored_track(track: int | None, where: str) -> Iterator[Finding]:
    """Yield a finding when the plan names a track of an image that has none."""
    if track is not None:
        yield Finding(
            "track-is-of-raw-image",
            Severity.WARNING,
            where,
            f"the plan names track {track}, but this is not a raw image; all of it is served",
            "remove the key track, or name the raw image or its cue sheet",
        )


def _padded(size: int, padding: int, where: str) -> Finding:
    is_small = size < MIN_SIZE
    return Finding(
        "image-is-padded",
        Severity.NOTE,
        where,
        f"{count_text(padding, 'byte')} of zeros are added after the image on the card, as the "
        "plan asks; the image itself stays as it is",
        "nothing; the manifest has the digests of both",
        (MIN_BLOCKS if is_small else BLOCK_SIZE).source,
        f"{size:,} bytes",
        f"{size + padding:,} bytes",
    )
