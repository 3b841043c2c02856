"""The findings of fixity: one rule for each way in which a file is not what was recorded."""

from __future__ import annotations

from collections.abc import Sequence

from mediashelf.findings import Finding, Severity
from mediashelf.integrity.fixity.values import DAMAGED_INSIDE, FixityRecord, Observed
from mediashelf.integrity.structure.damage import Span
from mediashelf.text import count_text

CHANGED_REMEDY = (
    "if the new bytes are right, make them the record with: mediashelf scan --accept IMAGE; "
    "if not, restore the file, or mend it from a copy"
)


def away(where: str, recorded: FixityRecord | None) -> Finding:
    """The disk that holds the file is not there: not a fault of the image."""
    return Finding(
        "shelf-is-present",
        Severity.NOTE,
        where,
        f"the disk, card or share that holds it is not there{_last_confirmed(recorded)}",
        remedy="connect it and audit again",
    )


def other_folder(where: str, words: str) -> Finding:
    """The folder in a shelf's place has nothing of it; ``words`` say so."""
    return Finding(
        "shelf-has-its-images",
        Severity.ERROR,
        where,
        words,
        remedy="connect the right disk; if the shelf is elsewhere now: mediashelf shelf move; if "
        "its images are gone for good: mediashelf shelf drop, then add the folder again",
    )


def damaged_inside(where: str, audited_at: str, copy: str = "") -> Finding:
    """An audit of these bytes found errors inside, in ``copy`` if not here."""
    place = f" {copy}, which has the same bytes" if copy else ", and the bytes are still the same"
    return Finding(
        DAMAGED_INSIDE,
        Severity.ERROR,
        where,
        f"the audit of {audited_at[:10]} found damage inside{place}",
        remedy="audit it with --depth contents to check it again",
    )


def missing(where: str, recorded: FixityRecord | None) -> Finding:
    """The folder is there, the file is not."""
    return Finding(
        "file-is-present",
        Severity.ERROR,
        where,
        f"the file is gone from its folder{_last_confirmed(recorded)}",
        remedy="put it back, or run scan if it was moved",
    )


def _last_confirmed(recorded: FixityRecord | None) -> str:
    return f"; last confirmed {recorded.confirmed_at[:10]}" if recorded is not None else ""


def unreadable(where: str, observed: Observed) -> Finding:
    """The system or the medium gave an error, and perhaps not all bytes."""
    spans = observed.unreadable
    remedy = "copy what can be read to another disk first"
    if observed.is_refused:
        remedy = "give yourself read permission, and audit again"
    elif spans:
        remedy += "; mend takes the rest from other copies"
    return Finding(
        "file-is-readable",
        Severity.ERROR,
        where,
        observed.problem,
        remedy=remedy,
        offset=spans[0].offset if spans else None,
        length=spans[0].length if spans else None,
    )


def changing(where: str) -> Finding:
    """Somebody writes the file just now: what was read belongs to no one state of it."""
    return Finding(
        "file-at-rest",
        Severity.WARNING,
        where,
        "it changed while it was read, so nothing is said of it",
        remedy="audit it again when nobody writes to it",
    )


def decayed(where: str, recorded: FixityRecord, extent: str, spans: Sequence[Span]) -> Finding:
    """The bytes differ although size and date are those of the record."""
    return Finding(
        "bytes-as-recorded",
        Severity.ERROR,
        where,
        f"the bytes differ from the record of {recorded.recorded_at[:10]}, although size and "
        f"date do not{_after(': ', extent)}",
        remedy="take the bytes from another copy, and check the disk that this one is on",
        offset=spans[0].offset if spans else None,
        length=spans[0].length if spans else None,
    )


def decayed_beside(
    where: str, recorded: FixityRecord, extent: str, spans: Sequence[Span]
) -> Finding:
    """Of a file that the medium does not give whole, other bytes differ as well."""
    return Finding(
        "bytes-as-recorded",
        Severity.ERROR,
        where,
        f"of what could be read, {extent} from the record of {recorded.recorded_at[:10]}",
        remedy="take the bytes from another copy, and check the disk that this one is on",
        offset=spans[0].offset,
        length=spans[0].length,
    )


def truncated(where: str, size: int, recorded: FixityRecord, left: str) -> Finding:
    """The file ends early; ``left`` says what is known of the rest."""
    return Finding(
        "file-is-whole",
        Severity.ERROR,
        where,
        f"the file ends {count_text(recorded.size - size, 'byte')} early; {left}",
        remedy="copy it again from its source",
        found=f"{size:,} bytes",
        expected=f"{recorded.size:,} bytes",
        offset=size,
        length=recorded.size - size,
    )


def changed(where: str, observed: Observed, recorded: FixityRecord, extent: str) -> Finding:
    """The file was written since it was recorded."""
    sizes = observed.size != recorded.size
    return Finding(
        "file-as-recorded",
        Severity.ERROR,
        where,
        f"the file was written since its record of {recorded.recorded_at[:10]}: its "
        f"{'size' if sizes else 'date'} differs{_after('; ', extent)}",
        remedy=CHANGED_REMEDY,
        found=f"{observed.size:,} bytes" if sizes else "",
        expected=f"{recorded.size:,} bytes" if sizes else "",
    )


def _after(joint: str, text: str) -> str:
    return joint + text if text else ""
