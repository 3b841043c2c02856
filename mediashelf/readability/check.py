"""Ask every readability rule about a disc, and say in one phrase who can read it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from enum import StrEnum

from mediashelf.findings import Finding, Findings, Severity, iter_runs, worst
from mediashelf.formats.structure_rules import CAREFUL_RULES, SPARING_RULES
from mediashelf.formats.volume import DiscFacts
from mediashelf.readability.disc import JudgedDisc
from mediashelf.readability.levels import WorstFirst
from mediashelf.readability.rule_types import Question
from mediashelf.readability.rules.table import RULES
from mediashelf.readability.targets import Target

_WORST = WorstFirst(RULES)
_HIDING_RULES = frozenset(rule.id for rule in RULES if rule.hides_disc)


class Readability(StrEnum):
    """How well one target reads one disc."""

    READS = "reads it"
    WITH_CARE = "reads it, with care"
    DAMAGED = "it is damaged"
    IN_PART = "cannot read all of it"
    NOT_AT_ALL = "cannot read it"


def check_disc(facts: DiscFacts, target: Target) -> Iterator[Finding]:
    """Yield a finding for each place where ``facts`` break a limit of ``target``.

    The disc may be an opened image or only planned. Nothing is read but
    ``facts``; whether the disc is sound is not asked here. Names are compared as
    characters, so a tree whose contents were not read yields no findings about
    names, but one that says so.
    """
    yield from _check(JudgedDisc(facts), target)


def check_targets(
    facts: DiscFacts, targets: Iterable[Target], *, lets_go: bool = False
) -> Iterator[tuple[Target, Findings]]:
    """Yield each target with its findings; faster than one :func:`check_disc` each.

    With ``lets_go`` little memory is held at the end, and findings take longer to be made.
    """
    disc = JudgedDisc(facts)
    for target in targets:
        yield target, _check(disc, target)
    if lets_go:
        disc.let_go()


def worst_for_targets(facts: DiscFacts, targets: Iterable[Target]) -> Iterator[Severity | None]:
    """Yield the worst severity for each target: that of :func:`check_disc`, at a part of its cost.

    Rules are asked worst first, and none further than to a place as bad as it can be.
    """
    disc = JudgedDisc(facts)
    for target in targets:
        yield _WORST.severity(Question.about(disc, target, only_levels=True))


def verdict_on(findings: Iterable[Finding], structure: Iterable[Finding] = ()) -> Readability:
    """Return what one target's findings about one disc come to; notes do not count.

    ``structure`` is what the disc's reader found: nobody is said to read a damaged disc,
    nor to read without care what only some systems do.
    """
    runs = list(iter_runs(findings))
    level = worst(Findings(runs))
    own = list(structure)
    if level is not Severity.ERROR and is_damaged(own):
        return Readability.DAMAGED
    needs_care = any(one.rule in CAREFUL_RULES for one in own)
    if (level is None or level is Severity.NOTE) and not needs_care:
        return Readability.READS
    if level is not Severity.ERROR:
        return Readability.WITH_CARE
    hidden = any(run.rule in _HIDING_RULES and run.severity is Severity.ERROR for run in runs)
    return Readability.NOT_AT_ALL if hidden else Readability.IN_PART


def is_damaged(structure: Iterable[Finding]) -> bool:
    """Tell whether, by what its reader found, some of a disc can be lost or misread."""
    errors = (one for one in structure if one.severity is Severity.ERROR)
    return any(one.rule not in SPARING_RULES for one in errors)


def _check(disc: JudgedDisc, target: Target) -> Findings:
    question = Question.about(disc, target)
    return Findings(run for rule in RULES for run in rule.runs(question))
