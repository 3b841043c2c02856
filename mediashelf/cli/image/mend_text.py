"""What ``mediashelf mend`` says to people: the files, the parts, the entries, the outcome."""

from __future__ import annotations

from collections.abc import Sequence

from mediashelf.cli.render import say, say_findings, say_wrapped, table
from mediashelf.findings import Severity
from mediashelf.integrity.mending.findings import place_text, tries_text
from mediashelf.integrity.mending.values import How, Mending, MendOutcome, Part
from mediashelf.integrity.structure.damage import TouchedEntry
from mediashelf.jobs.library.mend_record import Reference
from mediashelf.jobs.library.mending import Mended
from mediashelf.text import count_text, first_text, others_text, size_text

_PARTS_SHOWN = 12
_SPANS_SHOWN = 3
_ENTRIES_SHOWN = 5
_PLACES_SHOWN = 5


def say_mending(mended: Mended, *, dry_run: bool, quiet: bool) -> None:
    """Print the whole answer; ``quiet`` leaves only the findings that need attention."""
    result, reference, touched = mended.result, mended.reference, mended.touched
    if not quiet:
        say_wrapped(_opening(result, reference))
        _say_files(result)
        _say_parts(result)
        if touched.mended or touched.open:
            say()
        _say_entries("mended there", touched.mended)
        _say_entries("not known there", touched.open)
        if touched.mended or touched.open:
            others = touched.entry_count - len({*touched.mended, *touched.open})
            if others > 0:
                say_wrapped(others_text(others, "not affected"), indent=2)
        say()
    shown = [each for each in mended.findings if not quiet or each.severity > Severity.NOTE]
    if shown:
        say_findings(shown, limit=_PLACES_SHOWN)
        if not quiet:
            say()
    if not quiet:
        say_wrapped(_closing(result, reference, dry_run))


def _opening(result: Mending, reference: Reference | None) -> str:
    size = size_text(result.size)
    if reference is None:
        return (
            f"{result.image.name}: {size}, no digest on record; "
            f"{count_text(len(result.copies), 'file')} compared"
        )
    day = reference.record.recorded_at[:10]
    return f"{result.image.name}: {size}, by the record of {reference.where} ({day})"


def _say_files(result: Mending) -> None:
    for place, report in enumerate(result.copies[1:], start=1):
        gave = f"gave {count_text(report.given, 'sector')}" if report.given else "gave nothing"
        say_wrapped(f"{_file_word(place)}: {report.path}, {gave}", indent=2)


def _file_word(place: int) -> str:
    return f"copy {place}" if place else "image"


def _say_parts(result: Mending) -> None:
    if not result.parts:
        return
    unit = "bytes" if result.in_bytes else "LBA"
    rows = [
        (
            place_text(part.span, result.in_bytes).removeprefix(f"{unit} "),
            _source(part, result),
            _changed(part, result).replace(f"{unit} ", ""),
        )
        for part in result.parts[:_PARTS_SHOWN]
    ]
    say()
    for line in table([unit, "now from", "changed"], rows):
        say(line)
    if len(result.parts) > _PARTS_SHOWN:
        more = len(result.parts) - _PARTS_SHOWN
        say_wrapped(f"… and {count_text(more, 'more part')}; --json lists all")


def _source(part: Part, result: Mending) -> str:
    files = ", ".join(map(_file_word, part.sources))
    if part.how is How.SECTORS and part.absent:
        return f"{files}, zeros where no copy had data"
    if part.how is How.SECTORS:
        return f"sectors of {files} ({count_text(part.tried, 'try', 'tries')})"
    if part.how is How.EDC:
        return "raw sectors, EDC good"
    if part.how is How.VOTED:
        if not files:
            return "scattered votes"
        return f"vote of {len(part.sources)} in {len(result.copies)}: {files}"
    if part.how is How.UNDECIDED:
        return "undecided"
    if part.how is How.NOT_MENDED:
        tried = f" ({tries_text(part)} tried)" if part.possible > 1 else ""
        return f"not mended{tried}"
    return files


def _changed(part: Part, result: Mending) -> str:
    """Return where the new bytes differ from the image's; a guess counts only once written."""
    if part.how.is_open and not result.is_written:
        return ""
    places = [place_text(span, result.in_bytes) for span in part.changed]
    return first_text(places, _SPANS_SHOWN)


def _say_entries(word: str, entries: Sequence[TouchedEntry]) -> None:
    for entry in entries[:_ENTRIES_SHOWN]:
        extent = f"{size_text(entry.touched)} of {size_text(entry.size)}"
        say_wrapped(f"{word}: {entry.path} ({extent})", indent=2)
    if len(entries) > _ENTRIES_SHOWN:
        say_wrapped(f"{word}: {len(entries) - _ENTRIES_SHOWN:,} more entries", indent=2)


def _is_by_edc(result: Mending) -> bool:
    return all(part.how is How.EDC for part in result.parts)


def _closing(result: Mending, reference: Reference | None, dry_run: bool) -> str:
    """Return what the result is, what that rests on, and whether there is a file now."""
    if result.outcome is MendOutcome.AS_RECORDED:
        return "Every byte is as recorded: nothing to mend, nothing written."
    if result.outcome is MendOutcome.UNCHANGED:
        return "Nothing to mend, as far as these files show; that proves nothing. Nothing written."
    if not result.is_written:
        verdict = {
            MendOutcome.PROVED: "It can be mended, and every byte of that is proved.",
            MendOutcome.VOTED: "It can be mended by the EDC of its sectors; where all files agree "
            "nothing was verified."
            if _is_by_edc(result)
            else "It can be mended by a vote: likely, not proved.",
            MendOutcome.INCOMPLETE: "It cannot be mended from these files alone.",
        }[result.outcome]
        return f"{verdict} Nothing written{' (--dry-run)' if dry_run else ''}."
    wrote = f"Wrote {result.output}: {result.size:,} bytes, read back"
    if result.outcome is MendOutcome.PROVED:
        return f"{wrote}, and proved by the digest on record."
    if result.outcome is MendOutcome.VOTED and _is_by_edc(result):
        return (
            f"{wrote}. Where the files differ the EDC of each sector proves it; where all agree "
            "nothing was verified."
        )
    if result.outcome is MendOutcome.VOTED:
        return f"{wrote}. It rests on a vote: likely, not proved."
    return f"{wrote}. It is the best there is, with parts that are not known to be right."
