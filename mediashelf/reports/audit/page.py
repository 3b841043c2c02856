"""The audit's page: what is wrong with a library, image by image, for screen, phone and paper.

The page stays small however much there is to say: the worst comes first, and
what is left out is counted in its place.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence

from msgspec import Struct
from msgspec.structs import replace

from mediashelf.catalogue.auditing.audit import AuditResult, Depth
from mediashelf.findings import Finding
from mediashelf.integrity.fixity.comparing import WORST_FIRST, State
from mediashelf.reports.allowance import RowAllowance
from mediashelf.reports.audit.cards import (
    CARD_COST,
    ImageCard,
    image_card,
    in_order,
    needs_attention,
)
from mediashelf.reports.audit.tables import ImageLine, RuleRow, image_line, rule_rows
from mediashelf.reports.audit.words import reading_lines
from mediashelf.reports.finding_groups import FindingGroup, group_findings
from mediashelf.reports.pages import render_page
from mediashelf.text import count_text

IMAGES_SHOWN = 4000
"""Rows of the table of images."""

DETAIL_ROWS = 5000
"""Findings, runs of bytes and files that all cards together may name."""

REMARK_ROWS = 400
REMARKS_SHOWN = 20
"""Places of all notes about images that need no attention, and of one rule among them."""

MEANINGS = {
    State.UNREADABLE: "the system could not read it to the end",
    State.DECAYED: "its bytes differ, size and date do not: most likely the disk lost them",
    State.TRUNCATED: "it ends too early",
    State.DAMAGED: "nothing contradicts the record, but there are errors inside",
    State.CHANGED: "its bytes differ, and so does size or date: somebody wrote it; the record is "
    "kept until the new bytes are accepted",
    State.CHANGING: "it was written while it was read; audit it again",
    State.MISSING: "its folder is there, the file is not",
    State.AWAY: "its disk, card or share is not there; nothing is known of it",
    State.UNRECORDED: "nothing to compare its bytes with; structure good",
    State.SOUND: "as recorded; no damage found",
}


class StateCount(Struct, frozen=True):
    """How many images are in one state; ``start`` and ``width`` are its part of all, per cent."""

    state: str
    word: str
    count: int
    meaning: str
    start: float
    width: float


class AuditPage(Struct, frozen=True):
    """All that the page says, in the order in which it says it."""

    scope: str
    created: str
    created_by: str
    headline: str
    mood: str
    states: tuple[StateCount, ...]
    reading: tuple[str, ...]
    attention: tuple[ImageCard, ...]
    cards_left_out: int
    remarks: tuple[FindingGroup, ...]
    rules: tuple[RuleRow, ...]
    images: tuple[ImageLine, ...]
    images_left_out: int

    @property
    def image_count(self) -> int:
        """How many images were looked for."""
        return len(self.images) + self.images_left_out


def audit_page(
    results: Sequence[AuditResult],
    depth: Depth,
    *,
    scope: str,
    created: str,
    created_by: str,
    notes: Sequence[str] = (),
) -> AuditPage:
    """Return what the page of an audit says.

    ``scope`` says in words what was audited; ``created`` is a moment in UTC,
    ISO 8601, and ``created_by`` names the program. ``notes`` are sentences about what
    was passed over or left for another day.
    """
    ordered = in_order(results)
    numbered = list(enumerate(ordered, 1))
    bad = [pair for pair in numbered if needs_attention(pair[1])]
    others = [result for result in ordered if not needs_attention(result)]
    attention = tuple(_cards(bad, RowAllowance(DETAIL_ROWS)))
    with_card = {card.number for card in attention}
    headline, mood = _headline(results)
    return AuditPage(
        scope=scope,
        created=created.replace("T", " ").replace("Z", " UTC"),
        created_by=created_by,
        headline=headline,
        mood=mood,
        states=tuple(_state_counts(results)),
        reading=(*reading_lines(results, depth), *notes),
        attention=attention,
        cards_left_out=len(bad) - len(attention),
        remarks=group_findings(_remarks(others), RowAllowance(REMARK_ROWS), places=REMARKS_SHOWN),
        rules=tuple(rule_rows(ordered)),
        images=tuple(
            image_line(number, result, created[:10], has_card=number in with_card)
            for number, result in numbered[:IMAGES_SHOWN]
        ),
        images_left_out=max(0, len(ordered) - IMAGES_SHOWN),
    )


def audit_html(
    results: Sequence[AuditResult],
    depth: Depth,
    *,
    scope: str,
    created: str,
    created_by: str,
    notes: Sequence[str] = (),
) -> str:
    """Return the page of an audit as one self-contained HTML file; see :func:`audit_page`."""
    page = audit_page(
        results,
        depth,
        scope=scope,
        created=created,
        created_by=created_by,
        notes=notes,
    )
    return render_page("audit.html", page=page)


def _cards(
    numbered: Sequence[tuple[int, AuditResult]], allowance: RowAllowance
) -> Iterator[ImageCard]:
    for number, result in numbered:
        if allowance.take(CARD_COST, CARD_COST) < CARD_COST:
            return
        yield image_card(number, result, allowance)


def _remarks(results: Iterable[AuditResult]) -> Iterator[Finding]:
    """Yield the findings with their image in front of the place."""
    for result in results:
        for finding in result.verdict.findings:
            where = result.job.where
            if finding.where not in (where, "image"):
                where = f"{where}: {finding.where}"
            yield replace(finding, where=where)


def _headline(results: Sequence[AuditResult]) -> tuple[str, str]:
    """Return the one sentence to remember, and the sign that goes with it."""
    total = len(results)
    bad = sum(needs_attention(each) for each in results)
    away = sum(each.verdict.state is State.AWAY for each in results)
    if not total:
        return "No image was audited", "away"
    if bad:
        need = "needs" if bad == 1 else "need"
        return f"{bad:,} of {count_text(total, 'image')} {need} attention", "damaged"
    if away == total:
        return f"{count_text(total, 'image is', 'images are')} away; none was audited", "away"
    bare = sum(each.verdict.state is State.UNRECORDED for each in results)
    known = sum(each.is_acknowledged for each in results)
    sound = total - away - bare - known
    words = [f"{count_text(sound, 'image is', 'images are')} sound"] if sound else []
    if bare:
        images = f"{bare:,}" if sound else count_text(bare, "image")
        have = "has" if bare == 1 else "have"
        words.append(f"{images} {have} no record, only a good structure")
    if known:
        images = f"{known:,}" if words else count_text(known, "image")
        words.append(f"{images} {'is' if known == 1 else 'are'} not sound, as acknowledged")
    if away:
        words.append(f"{away:,} {'is' if away == 1 else 'are'} away")
    return "; ".join(words), "sound" if sound and not known else "unrecorded"


def _state_counts(results: Sequence[AuditResult]) -> Iterator[StateCount]:
    counts = Counter(each.verdict.state for each in results)
    before = 0
    for state in WORST_FIRST:
        count = counts[state]
        if count:
            start = round(100 * before / len(results), 3)
            width = round(100 * (before + count) / len(results) - start, 3)
            yield StateCount(state.value, state.shown, count, MEANINGS[state], start, width)
        before += count
