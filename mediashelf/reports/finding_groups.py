"""Findings as pages show them: one group a rule, its places, what to do and where it is from."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator

from msgspec import Struct, field

from mediashelf.findings import Finding
from mediashelf.integrity.structure.damage import Span
from mediashelf.reports.allowance import RowAllowance


class FindingPlace(Struct, frozen=True):
    """One finding of a group.

    ``where`` is empty where it is what the page speaks of anyway, ``remedy`` where
    the group's own holds.
    """

    where: str
    message: str
    details: tuple[str, ...]
    remedy: str


class FindingGroup(Struct, frozen=True):
    """All findings of one rule, severity and target; ``count`` is theirs, shown or not."""

    rule: str
    severity: str
    target: str
    remedy: str
    source: str
    count: int
    places: tuple[FindingPlace, ...]

    @property
    def left_out(self) -> int:
        """How many places are counted and not shown."""
        return self.count - len(self.places)


def group_findings(
    findings: Iterable[Finding],
    allowance: RowAllowance,
    *,
    places: int,
    about: str = "",
    lbas: Callable[[Span], tuple[int, int] | None] | None = None,
) -> tuple[FindingGroup, ...]:
    """Return every finding in a group, worst first; up to ``places`` of a group are shown.

    ``about`` is what the page speaks of; places of that name are not named again.
    ``lbas`` gives the sectors of a run of bytes; without it, places in bytes are
    left out.
    """
    groups: dict[tuple[int, str, str], _Kept] = {}
    for finding in findings:
        key = (-finding.severity, finding.rule, finding.target)
        kept = groups.get(key)
        if kept is None:
            kept = groups[key] = _Kept(finding)
        kept.add(finding, places)
    return tuple(_group(groups[key], allowance, places, about, lbas) for key in sorted(groups))


class _Kept(Struct):
    """What is kept of the findings of a group while they are counted."""

    first: Finding
    count: int = 0
    is_common: bool = True  # one remedy holds for all
    shown: list[Finding] = field(default_factory=list)

    def add(self, finding: Finding, most: int) -> None:
        """Count one more, and keep it if there is room for it on the page."""
        self.count += 1
        self.is_common = self.is_common and finding.remedy == self.first.remedy
        if len(self.shown) < most:
            self.shown.append(finding)


def _group(
    kept: _Kept,
    allowance: RowAllowance,
    places: int,
    about: str,
    lbas: Callable[[Span], tuple[int, int] | None] | None,
) -> FindingGroup:
    first = kept.first
    shown = kept.shown[: allowance.take(kept.count, places)]
    return FindingGroup(
        rule=first.rule,
        severity=first.severity.word,
        target=first.target,
        remedy=first.remedy if kept.is_common or not shown else "",
        source=first.source,
        count=kept.count,
        places=tuple(
            FindingPlace(
                "" if finding.where == about else finding.where,
                finding.message,
                tuple(_details(finding, lbas)),
                "" if kept.is_common else finding.remedy,
            )
            for finding in shown
        ),
    )


def _details(
    finding: Finding, lbas: Callable[[Span], tuple[int, int] | None] | None
) -> Iterator[str]:
    if lbas is not None and finding.offset is not None:
        sectors = lbas(Span(finding.offset, finding.length or 1))
        lba = f", LBA {sectors[0]:,}" if sectors is not None else ""
        yield f"from byte {finding.offset:,}{lba}"
    if finding.found:
        yield f"found {finding.found}"
    if finding.expected:
        yield f"expected {finding.expected}"
