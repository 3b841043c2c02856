"""The rule about a setup whose first phase reads discs as an older system does."""

from __future__ import annotations

from collections.abc import Iterator

from mediashelf.findings import Severity
from mediashelf.readability.levels import WorstFirst
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
    inner = Question.about(question.disc, phase, only_levels=question.only_levels)
    boot = question.disc.facts.boot
    boots = boot is not None and any(entry.is_bootable for entry in boot.entries)
    at_most = None if boots else Severity.NOTE
    if question.only_levels:
        if _WORST.severity(inner, least=Severity.ERROR) is Severity.ERROR:
            yield RuleHit(ROOT, "", at_most=at_most)
        return
    asked = [rule for rule in _ASKED if rule.severity_for(phase) is Severity.ERROR]
    errors = [run for rule in asked for run in rule.runs(inner) if run.severity is Severity.ERROR]
    if errors:
        first, count = errors[0][0], sum(map(len, errors))
        yield RuleHit(
            ROOT,
            f"setup begins as {phase.name}, which finds {count_text(count, 'error')} on this "
            f"disc, {first.rule} at {first.where} for one",
            str(count),
            f"nothing that {phase.name} can't read",
            at_most=at_most,
        )


_ASKED = (*TREE_RULES, *UDF_RULES, *VOLUME_RULES, *NAME_RULES, *LETTER_RULES, *PATH_RULES)
_WORST = WorstFirst(_ASKED)


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
