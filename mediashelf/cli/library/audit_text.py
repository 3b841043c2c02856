"""An audit on screen: a table of images, then what is wrong with each and which files it hit."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence

from msgspec.structs import replace

from mediashelf.catalogue.auditing.audit import AuditResult, Depth
from mediashelf.cli.render import say, say_findings, say_wrapped, table
from mediashelf.findings import Severity
from mediashelf.integrity.fixity.comparing import WORST_FIRST, State
from mediashelf.integrity.structure.damage import Span
from mediashelf.reports.audit.words import summary_lines
from mediashelf.text import count_text, others_text, part_text

SOUND_SHOWN = 20  # with more sound images than this, only their number is shown
_SPANS_SHOWN = 5
_ENTRIES_SHOWN = 5
_PLACES_SHOWN = 5  # of one rule in one image; the rest are counted


def say_audit(results: Sequence[AuditResult], depth: Depth, *, show_all: bool, quiet: bool) -> None:
    """Print everything that an audit found, worst first, and what it read."""
    if not results:
        say("No image is on record there. Look for them with: mediashelf scan")
        return
    ordered = sorted(
        results, key=lambda each: (WORST_FIRST.index(each.verdict.state), each.job.where)
    )
    sound = [each for each in ordered if each.verdict.state is State.SOUND]
    hide_sound = quiet or (len(sound) > SOUND_SHOWN and not show_all)
    away = _away_shelves(ordered)
    told = [each for each in ordered if _shelf(each) not in away]
    shown = [each for each in told if not (hide_sound and each.verdict.state is State.SOUND)]
    if shown or away:
        cells = [(each.job.where, each.shown_state, _basis(each)) for each in shown]
        cells += [
            (name, State.AWAY.shown, f"nothing: {count_text(count, 'image')} not here")
            for name, count in away.items()
        ]
        for line in table(("image", "state", "what was read"), cells):
            say(line)
    if hide_sound and sound and not quiet:
        say_wrapped(f"… and {count_text(len(sound), 'sound image')} (--all names them)")
    for each in told:
        _say_image(each, quiet)
    for name in away:
        _say_shelf(name, ordered)
    if (shown or away) and not quiet:
        say()
    if not quiet:
        for line in summary_lines(results, depth):
            say_wrapped(line)


def _shelf(result: AuditResult) -> str:
    return result.job.row.shelf if result.job.row is not None else ""


def _away_shelves(results: Sequence[AuditResult]) -> dict[str, int]:
    """Return the shelves of which nothing is here, with their images: one line says it all."""
    counts = Counter(_shelf(each) for each in results)
    away = Counter(_shelf(each) for each in results if each.verdict.state is State.AWAY)
    return {name: count for name, count in away.items() if 1 < count == counts[name] and name}


def _say_shelf(name: str, results: Sequence[AuditResult]) -> None:
    """Say once for all its images that what is in a shelf's place is not the shelf."""
    findings = [each.verdict.findings[0] for each in results if _shelf(each) == name]
    wrong = [one for one in findings if one.severity is Severity.ERROR]
    if wrong:
        say()
        say_findings([replace(wrong[0], where=name)])


def _basis(result: AuditResult) -> str:
    if result.twins:
        twin = result.twins[0]
        return f"{result.verdict.basis}; the same bytes as {twin.shelf}: {twin.path}"
    return result.verdict.basis


def _say_image(result: AuditResult, quiet: bool) -> None:
    findings = [
        finding
        for finding in result.verdict.findings
        if not quiet or finding.severity is not Severity.NOTE
    ]
    if not findings:
        return
    say()
    say(result.job.where)
    say_findings(findings, limit=_PLACES_SHOWN)
    damage = result.damage
    for span in damage[:_SPANS_SHOWN]:
        say_wrapped(_place(result, span), indent=2)
    if len(damage) > _SPANS_SHOWN:
        say(f"  … and {count_text(len(damage) - _SPANS_SHOWN, 'more run')} of bytes")
    for line in _entry_lines(result):
        say_wrapped(line, indent=4)


def _place(result: AuditResult, span: Span) -> str:
    last = span.offset + span.length - 1
    words = f"bytes {span.offset:,} to {last:,}" if span.length > 1 else f"byte {span.offset:,}"
    lbas = result.lbas(span)
    if lbas is None:
        return words
    return f"LBA {lbas[0]:,}{f' to {lbas[1]:,}' if lbas[1] > lbas[0] else ''} ({words})"


def _entry_lines(result: AuditResult) -> Iterator[str]:
    """Yield which entries lie there, and last what is known of the others."""
    if not result.touched:
        return
    lines = [
        f"{entry.path}: {part_text(entry.touched, entry.size)}"
        for entry in result.touched[:_ENTRIES_SHOWN]
    ]
    more = len(result.touched) - _ENTRIES_SHOWN
    if more > 0:
        lines.append(f"… and {count_text(more, 'more entry', 'more entries')}")
    others = result.entry_count - len(result.touched)
    if others > 0:
        lines[-1] += f"; {others_text(others, 'not affected')}"
    yield from lines
