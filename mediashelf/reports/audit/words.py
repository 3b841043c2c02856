"""What an audit read and found, and what it did not read, as sentences."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from typing import TYPE_CHECKING

from mediashelf.catalogue.auditing.audit import AuditResult, Depth
from mediashelf.formats.raw.verdicts import SectorVerdict
from mediashelf.integrity.fixity.comparing import WORST_FIRST, State
from mediashelf.text import count_text, size_text

if TYPE_CHECKING:  # few audits look inside files
    from mediashelf.integrity.inside.contents import ContentsReport


def summary_lines(results: Sequence[AuditResult], depth: Depth) -> list[str]:
    """Return the closing sentences: the states, then what was read and what was not."""
    ordered = sorted(
        results, key=lambda each: (WORST_FIRST.index(each.verdict.state), each.shown_state)
    )
    counts = Counter(map(_state_words, ordered))
    states = ", ".join(f"{count:,} {words}" for words, count in counts.items())
    return [f"{count_text(len(results), 'image')}: {states}.", *reading_lines(results, depth)]


def _state_words(result: AuditResult) -> str:
    """Return a state as it is counted; of what is not here nothing else matters now."""
    if result.verdict.state in (State.AWAY, State.MISSING):
        return result.verdict.state.shown_in_list
    return result.shown_state.replace(", ", " and ")


def reading_lines(results: Sequence[AuditResult], depth: Depth) -> list[str]:
    """Return what was read and what was not: of the images, then of the files inside."""
    structures = sum(each.reading.structure_read for each in results)
    digested = [each.job.row for each in results if each.reading.digests is not None]
    compared = sum(row is not None and bool(row.digests) for row in digested)
    unrecorded = len(digested) - compared
    total = size_text(sum(each.verdict.bytes_read for each in results))
    read = f"Structure of {structures:,} read; "
    read += f"all bytes of {compared:,} compared with a digest on record"
    read += f", {unrecorded:,} had none" if unrecorded else ""
    read += f" ({total} read)"
    more = [*_sector_lines(results), *_digest_lines(results)]
    if depth is not Depth.CONTENTS:
        inside = "Whether files inside are sound in themselves was not checked."
        return [f"{read}. {inside}", *more]
    reports = [each.reading.inside_report for each in results if each.reading.inside_report]
    return [f"{read}.", *more, *contents_lines(reports)]


def _sector_lines(results: Sequence[AuditResult]) -> Iterator[str]:
    """Yield what the sectors of raw images said, those of a sheet and its file once."""
    judged = [each for each in results if any((each.reading.sectors or {}).values())]
    files = {each.job.path.with_suffix("") for each in judged if not each.job.is_sheet}
    distinct = [
        each.reading.sectors
        for each in judged
        if not (each.job.is_sheet and each.job.path.with_suffix("") in files)
    ]
    if not distinct:
        return
    total: Counter[SectorVerdict] = Counter()
    for counts in distinct:
        total.update(counts)
    words = {
        "with good EDC": total[SectorVerdict.GOOD],
        "correctable from parity": total[SectorVerdict.CORRECTED],
        "whose address does not match their position": total[SectorVerdict.MISPLACED],
        "lost": total[SectorVerdict.LOST],
        "without a checksum": total[SectorVerdict.UNCHECKED],
    }
    parts = [f"{count:,} {word}" for word, count in words.items() if count]
    images = count_text(len(distinct), "raw image")
    yield f"Sectors of {images}: {', '.join(parts)}."


def _digest_lines(results: Sequence[AuditResult]) -> Iterator[str]:
    counts = Counter(name for each in results for name in each.new_digests)
    for name, count in counts.items():
        yield f"New on record: {name} of {count_text(count, 'image')}."


def contents_lines(reports: Sequence[ContentsReport]) -> list[str]:
    """Return a paragraph for all, then one for each format that was met."""
    from mediashelf.formats.packed.signatures import ContentFormat  # few audits look inside files

    files = sum(report.files for report in reports)
    unchecked = sum(report.unchecked_files for report in reports)
    unreadable = sum(report.unreadable_files for report in reports)
    nested = sum(report.nested_archives for report in reports)
    first = (
        f"Files inside: {files:,} read, {unchecked:,} without checksums of their own"
        + (f", {unreadable:,} could not be read" if unreadable else "")
        + f"; {count_text(nested, 'archive')} inside archives not followed. Gaps of zeros amid "
        "dense data were looked for in all."
    )
    lines = [first]
    for kind in ContentFormat:
        tallies = [report.tallies[kind] for report in reports if kind in report.tallies]
        if not tallies:
            continue
        count = sum(tally.files for tally in tallies)
        faulty = sum(tally.faulty_files for tally in tallies)
        verified = _counted(tally.verified for tally in tallies)
        unverified = _counted(tally.unverified for tally in tallies)
        line = f"{kind}: {count_text(count, 'file')}"
        line += f", {faulty:,} faulty" if faulty else ""
        line += f"; verified: {verified}" if verified else ""
        line += f"; not verified: {unverified}" if unverified else ""
        lines.append(f"{line}.")
    return lines


def _counted(counters: Iterable[Counter[str]]) -> str:
    total: Counter[str] = Counter()
    for counter in counters:
        total += counter
    # The number last: "1 listed files that …" would not agree.
    return ", ".join(f"{words} ({count:,})" for words, count in total.items())
