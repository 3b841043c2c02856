"""The rule about a setup whose first phase reads discs as an older system does."""

from __future__ import annotations

from collections.abc import Iterator

from mediashelf.findings import Finding, Severity
from mediashelf.readability.limits import Limit
from mediashelf.readability.rule_types import ROOT, Question, Rule, RuleHit
from mediashelf.readability.rules.letters import LETTER_RULES
from mediashelf.readability.rules.names import NAME_RULES
from mediashelf.readability.rules.paths import PATH_RULES
from mediashelf.readability.rules.trees import TREE_RULES
from mediashelf.readability.rules.udf import UDF_RULES
from mediashelf.readability.rules.volume import VOLUME_RULES
from mediashelf.text import count_text


def first_phase_reads(question: Question, _limit: Limit) -> Iterator[RuleHit]:
    """One hit when the target of the first phase could not read all of the disc.

    A disc that does not boot is less likely to be read in that phase.
    """
    phase = question.target.first_phase
    if phase is None:
        return
    first, count = None, 0
    for finding in _iter_errors(Question.about(question.disc, phase)):
        first = first or finding
        count += 1
        if question.only_levels:
            break  # one error is as bad as many
    if first is not None:
        boot = question.disc.facts.boot
        boots = boot is not None and any(entry.is_bootable for entry in boot.entries)
        yield RuleHit(
            ROOT,
            f"setup begins as {phase.name}, which finds {count_text(count, 'error')} on this "
            f"disc, {first.rule} at {first.where} for one",
            str(count),
            f"nothing that {phase.name} can't read",
            at_most=None if boots else Severity.NOTE,
        )


def _iter_errors(question: Question) -> Iterator[Finding]:
    for rule in (*TREE_RULES, *UDF_RULES, *VOLUME_RULES, *NAME_RULES, *LETTER_RULES, *PATH_RULES):
        if rule.severity_for(question.target) is Severity.ERROR:
            for finding in rule.findings(question):
                if finding.severity is Severity.ERROR:
                    yield finding


PHASE_RULES = (
    Rule(
        "first-phase-reads",
        Severity.ERROR,
        "first_phase",
        "The first phase of setup can read the disc too",
        first_phase_reads,
        "see every place with: mediashelf check --target, and the system named here",
    ),
)
