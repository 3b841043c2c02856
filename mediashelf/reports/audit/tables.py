"""The tables of an audit's page: what was found by rule, and every image in one row."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence

from msgspec import Struct

from mediashelf.catalogue.auditing.audit import AuditResult
from mediashelf.findings import Finding, Severity, summary
from mediashelf.integrity.fixity.comparing import WORST_FIRST

_NAMES_SHOWN = 3


class RuleRow(Struct, frozen=True):
    """One rule over all images; ``images`` counts them, ``names`` are the first."""

    rule: str
    severity: str
    severity_rank: int
    count: int
    images: int
    names: tuple[str, ...]
    remedy: str
    source: str


class ImageLine(Struct, frozen=True):
    """One row of the table of images.

    ``size`` is None where it is not known; ``weight`` sorts by ``findings``, errors
    first.
    """

    number: int
    name: str
    state: str
    word: str
    state_rank: int
    size: int | None
    findings: str
    weight: int
    confirmed: str
    basis: str
    has_card: bool


def rule_rows(results: Sequence[AuditResult]) -> Iterator[RuleRow]:
    """Yield every rule that found something, worst first and then by how many images it hit."""
    groups: dict[tuple[Severity, str], list[tuple[str, Finding]]] = {}
    for result in results:
        for finding in result.verdict.findings:
            key = (finding.severity, finding.rule)
            groups.setdefault(key, []).append((result.job.where, finding))
    rows = []
    for (severity, rule), found in groups.items():
        names = list(dict.fromkeys(name for name, _ in found))
        first = found[0][1]
        rows.append(
            RuleRow(
                rule=rule,
                severity=severity.word,
                severity_rank=int(severity),
                count=len(found),
                images=len(names),
                names=tuple(names[:_NAMES_SHOWN]),
                remedy=first.remedy,
                source=first.source,
            )
        )
    yield from sorted(rows, key=lambda row: (-row.severity_rank, -row.images, row.rule))


def image_line(number: int, result: AuditResult, today: str, *, has_card: bool) -> ImageLine:
    """Return the row of one image; ``today`` is the day of the audit."""
    row = result.job.row
    size = result.reading.size or (row.size if row is not None else None)
    return ImageLine(
        number=number,
        name=result.job.where,
        state=result.verdict.state.value,
        word=result.shown_state,
        state_rank=WORST_FIRST.index(result.verdict.state),
        size=size,
        findings=summary(result.verdict.findings),
        weight=_weight(result.verdict.findings),
        confirmed=_confirmed(result, today),
        basis=result.verdict.basis,
        has_card=has_card,
    )


def _confirmed(result: AuditResult, today: str) -> str:
    """Return the day on which the bytes were last seen to be as recorded, or nothing."""
    if result.verdict.is_confirmed:
        return today
    row = result.job.row
    return row.confirmed_at[:10] if row is not None and row.digests else ""


def _weight(findings: Sequence[Finding]) -> int:
    """Return a number that sorts by errors, then warnings, then notes."""
    counts = Counter(finding.severity for finding in findings)
    weight = 0
    for severity in sorted(Severity, reverse=True):
        weight = weight * 100_000 + min(counts[severity], 99_999)
    return weight
