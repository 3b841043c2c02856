"""Ask every readability rule about a disc, and say in one phrase who can read it."""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Iterator
from enum import StrEnum

from mediashelf.findings import Finding, Findings, Severity, iter_runs, worst
from mediashelf.formats.rockridge.other_contents import COMPRESSED_RULE
from mediashelf.formats.volume import DiscFacts
from mediashelf.readability.disc import JudgedDisc
from mediashelf.readability.limits import Limit
from mediashelf.readability.rule_types import Question, Rule
from mediashelf.readability.rules.table import RULES
from mediashelf.readability.targets import Target

_MOST_KNOWN = 100
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


def check_targets(facts: DiscFacts, targets: Iterable[Target]) -> Iterator[tuple[Target, Findings]]:
    """Yield each target with its findings; faster than one :func:`check_disc` each."""
    disc = JudgedDisc(facts)
    for target in targets:
        yield target, _check(disc, target)


def worst_for_targets(facts: DiscFacts, targets: Iterable[Target]) -> Iterator[Severity | None]:
    """Yield the worst severity for each target: that of :func:`check_disc`, at a part of its cost.

    Rules are asked worst first, and none further than to a place as bad as it can be.
    """
    disc = JudgedDisc(facts)
    for target in targets:
        yield _worst(Question.about(disc, target, only_levels=True))


def _worst(question: Question) -> Severity | None:
    level: Severity | None = None
    known = question.tree.caps if question.tree is not None else {}
    for severity, rule, limit, key in _asked_of(question.target):
        if level is not None and severity <= level:
            break
        if known.get(key) == 0:
            continue  # what other targets have asked of the tree, and nothing was found
        one = rule.worst(question, limit)
        if one is not None:
            level = one if level is None else max(level, one)
    return level


_Asked = list[tuple[Severity, Rule, Limit, Hashable]]
_known: dict[int, tuple[Target, _Asked]] = {}  # by identity: many discs are asked for few targets


def _asked_of(target: Target) -> _Asked:
    """Return the rules that a target has limits for, worst first."""
    known = _known.get(id(target))
    if known is not None and known[0] is target:
        return known[1]
    pairs = [(rule, target.limits.get(rule.needs)) for rule in RULES]
    asked: _Asked = [
        (limit.severity_of(rule.severity), rule, limit, rule.key_in_tree(limit))
        for rule, limit in pairs
        if limit
    ]
    asked.sort(key=lambda one: -one[0])
    if len(_known) >= _MOST_KNOWN:
        _known.clear()
    _known[id(target)] = target, asked
    return asked


def verdict_on(findings: Iterable[Finding], structure: Iterable[Finding] = ()) -> Readability:
    """Return what one target's findings about one disc come to; notes do not count.

    ``structure`` is what the disc's reader found: nobody is said to read a damaged disc,
    nor to read files without care that only some systems unpack.
    """
    runs = list(iter_runs(findings))
    level = worst(Findings(runs))
    own = list(structure)
    if level is not Severity.ERROR and any(map(_is_damage, own)):
        return Readability.DAMAGED
    is_compressed = any(one.rule == COMPRESSED_RULE for one in own)
    if (level is None or level is Severity.NOTE) and not is_compressed:
        return Readability.READS
    if level is not Severity.ERROR:
        return Readability.WITH_CARE
    hidden = any(run.rule in _HIDING_RULES and run.severity is Severity.ERROR for run in runs)
    return Readability.NOT_AT_ALL if hidden else Readability.IN_PART


def _is_damage(finding: Finding) -> bool:
    # Raw sectors keep a drive from serving the disc; its volume may well be whole.
    return finding.severity is Severity.ERROR and finding.rule != "raw-sectors"


def _check(disc: JudgedDisc, target: Target) -> Findings:
    question = Question.about(disc, target)
    return Findings(run for rule in RULES for run in rule.runs(question))
