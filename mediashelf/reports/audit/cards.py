"""What the audit's page says of one image: facts, map, runs of bytes, findings."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from msgspec import Struct

from mediashelf.catalogue.auditing.audit import AuditResult
from mediashelf.catalogue.rows import day_shown
from mediashelf.findings import Severity, worst
from mediashelf.integrity.fixity.comparing import WORST_FIRST, State
from mediashelf.integrity.structure.damage import DamageSpan
from mediashelf.reports.allowance import RowAllowance
from mediashelf.reports.audit.disc_map import DiscMap, draw_disc_map, mark_number
from mediashelf.reports.finding_groups import FindingGroup, group_findings
from mediashelf.text import count_text, others_text, size_text

CARD_COST = 4  # rows that a card takes without any findings
SPANS_SHOWN = 12
PLACES_SHOWN = 6  # of one rule in one image
_MARKS_A_ROW = 4  # marks on a map that weigh as much as a row
_TWINS_SHOWN = 3


class SpanRow(Struct, frozen=True):
    """A run of bytes that something is wrong with, by ``rules``.

    ``mark`` is the number of its mark on the map (0: none). ``lbas`` are the first
    and the last sector, None where they are not known; ``is_lost`` is True past
    the end of the file.
    """

    mark: int
    first: int
    last: int
    length: int
    lbas: tuple[int, int] | None
    rules: tuple[str, ...]
    severity: str
    is_lost: bool


class ImageCard(Struct, frozen=True):
    """All about one image; ``number`` is its row in the table of images.

    ``brief`` is the worst of it in one line, for whoever goes through many.
    """

    number: int
    name: str
    state: str
    word: str
    brief: str
    facts: tuple[tuple[str, str], ...]
    map: DiscMap | None
    spans: tuple[SpanRow, ...]
    spans_left_out: int
    untouched: str
    groups: tuple[FindingGroup, ...]


def needs_attention(result: AuditResult) -> bool:
    """Tell whether a person should look at this image."""
    level = worst(result.verdict.findings)
    is_bad = result.verdict.state not in (State.SOUND, State.UNRECORDED, State.AWAY)
    return (is_bad and not result.is_acknowledged) or (
        level is not None and level >= Severity.WARNING
    )


def in_order(results: Sequence[AuditResult]) -> list[AuditResult]:
    """Return the results as pages list them: worst state, then most errors, then by name."""
    return sorted(
        results,
        key=lambda each: (
            WORST_FIRST.index(each.verdict.state),
            -(worst(each.verdict.findings) or 0),
            each.job.where,
        ),
    )


def image_card(number: int, result: AuditResult, allowance: RowAllowance) -> ImageCard:
    """Return the card of one image; what the allowance has no room for is counted on it."""
    verdict, row = result.verdict, result.job.row
    # What is wrong in the files that a sheet names has its place there.
    has_places = not result.job.is_sheet
    drawn = draw_disc_map(
        result.reading.size,
        recorded_size=row.size if row is not None and verdict.spans else 0,
        damage=result.damage,
        touched=result.touched,
        findings=verdict.findings if has_places else (),
        allowance=allowance,
    )
    if drawn is not None:
        marks = len(drawn.damage) + len(drawn.findings)
        allowance.take(marks // _MARKS_A_ROW, marks)
    spans = result.spans
    shown = allowance.take(len(spans), SPANS_SHOWN)
    return ImageCard(
        number=number,
        name=result.job.where,
        state=verdict.state.value,
        word=result.shown_state,
        brief=_brief(result),
        facts=tuple(_facts(result)),
        map=drawn,
        spans=tuple(_span_row(result, drawn, span) for span in spans[:shown]),
        spans_left_out=len(spans) - shown,
        untouched=_untouched(result),
        groups=group_findings(
            verdict.findings,
            allowance,
            places=PLACES_SHOWN,
            about=result.job.where,
            lbas=result.lbas if has_places else None,
        ),
    )


def _brief(result: AuditResult) -> str:
    """Return the message of the worst finding with how many more there are, or what was read."""
    findings = sorted(result.verdict.findings, key=lambda each: -each.severity)
    if not findings:
        return result.verdict.basis
    more = len(findings) - 1
    others = f" (and {count_text(more, 'more finding')})" if more else ""
    return f"{findings[0].message}{others}"


def _facts(result: AuditResult) -> Iterator[tuple[str, str]]:
    row, verdict = result.job.row, result.verdict
    yield "Read", verdict.basis
    yield "Size", _size(result)
    if row is not None and row.label:
        yield "Disc", row.label
    if row is not None and row.digests:
        last = (
            "confirmed now"
            if verdict.is_confirmed
            else f"last confirmed {day_shown(row.confirmed_at)}"
        )
        yield "On record", f"since {day_shown(row.recorded_at)}, {last}"
    elif verdict.state not in (State.AWAY, State.MISSING):
        yield "On record", "no digest"
    if result.twins:
        names = [f"{twin.shelf}: {twin.path}" for twin in result.twins[:_TWINS_SHOWN]]
        others = len(result.twins) - len(names)
        more = f" and {others:,} more" if others else ""
        yield "Same bytes", ", ".join(names) + more


def _size(result: AuditResult) -> str:
    row, size = result.job.row, result.reading.size
    on_record = _exact(row.size) if row is not None else ""
    if not size and result.verdict.state in (State.AWAY, State.MISSING, State.UNREADABLE):
        return f"{on_record} on record" if on_record else "not known"
    differs = row is not None and row.size != size
    return f"{_exact(size)}; on record {on_record}" if differs else _exact(size)


def _exact(size: int) -> str:
    return size_text(size) if size < 1024 else f"{size_text(size)} ({size:,} bytes)"


def _span_row(result: AuditResult, drawn: DiscMap | None, damage: DamageSpan) -> SpanRow:
    span = damage.span
    is_lost = span.offset >= result.reading.size
    is_marked = damage.severity is Severity.ERROR and not is_lost
    has_number = drawn is not None and len(drawn.damage) > 1 and is_marked
    return SpanRow(
        mark=mark_number(drawn, span.offset) if drawn is not None and has_number else 0,
        first=span.offset,
        last=span.offset + span.length - 1,
        length=span.length,
        lbas=result.lbas(span),
        rules=damage.rules,
        severity=damage.severity.word,
        is_lost=is_lost,
    )


def _untouched(result: AuditResult) -> str:
    if not result.touched:
        return ""
    count = max(0, result.entry_count - len(result.touched))
    hit = count_text(len(result.touched), "file or folder", "files and folders")
    if not count:
        return f"{hit} hit, all that there are."
    return f"{hit} hit; {others_text(count, 'not affected')}."
