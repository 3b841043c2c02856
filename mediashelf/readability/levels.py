"""The worst severity alone, at a part of the cost of findings: asked of many discs at once."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterable, Sequence
from typing import Any, NamedTuple

from mediashelf.findings import Severity
from mediashelf.formats.volume import VolumeKind
from mediashelf.readability.disc import DiscPart
from mediashelf.readability.limits import Limit
from mediashelf.readability.rule_types import InTree, Question, Rule, RuleHit
from mediashelf.readability.targets import Target

_NO_CAP = max(Severity) + 1
_MOST_KNOWN = 500
_KEYS: dict[Hashable, int] = {}
"""A number for each check with each limit's value: these are long, and asked about every disc."""


class _Asked(NamedTuple):
    """What is asked for a target; ``key`` is that of a check of its tree, None for the disc's."""

    severity: Severity
    ask: Callable[[Any, Limit], Iterable[RuleHit]]  # the question, or its tree where there is a key
    limit: Limit
    key: int | None


_Place = tuple[int, VolumeKind | None, frozenset[DiscPart]]


class WorstFirst:
    """Rules in the order in which they can matter, none asked further than to the first worst."""

    def __init__(self, rules: Sequence[Rule]) -> None:
        self._rules = rules
        # By identity: many discs are asked for few targets.
        self._known: dict[_Place, tuple[Target, list[_Asked]]] = {}

    def severity(self, question: Question, least: Severity = Severity.NOTE) -> Severity | None:
        """Return the worst severity of all findings, None where none is as bad as ``least``."""
        level: Severity | None = None
        tree = question.tree
        # What other targets with the same limit have asked of the tree is known.
        known = tree.caps if tree is not None else {}
        for severity, ask, limit, key in self._asked(question):
            if severity < least or (level is not None and severity <= level):
                break
            if key is None:
                cap = _worst_cap(ask(question, limit))
            elif key in known:
                cap = known[key]
            else:
                cap = known[key] = _worst_cap(ask(tree, limit))
            if cap and (level is None or min(severity, cap) > level):
                level = Severity(min(severity, cap))
        return level

    def _asked(self, question: Question) -> list[_Asked]:
        """Return the rules that a target has limits for, about a tree of this kind."""
        target, tree = question.target, question.tree
        parts = question.disc.parts
        place = id(target), tree.kind if tree is not None else None, parts
        known = self._known.get(place)
        if known is not None and known[0] is target:
            return known[1]
        asked: list[_Asked] = []
        for rule in self._rules:
            limit, check = target.limits.get(rule.needs), rule.check
            if limit is None or not (rule.part is None or rule.part in parts):
                continue
            severity = limit.severity_of(rule.severity)
            if not isinstance(check, InTree):
                asked.append(_Asked(severity, check, limit, None))
            elif tree is not None and check.is_about(tree):
                key = _KEYS.setdefault(check.key(limit), len(_KEYS))
                asked.append(_Asked(severity, check.check, limit, key))
        asked.sort(key=lambda one: -one.severity)
        if len(self._known) >= _MOST_KNOWN:
            self._known.clear()
        self._known[place] = target, asked
        return asked


def _worst_cap(hits: Iterable[RuleHit]) -> int:
    """Return how far hits hold the severity down: 0 where there are none."""
    cap = 0
    for hit in hits:
        if hit.at_most is None:
            return _NO_CAP
        cap = max(cap, hit.at_most)
    return cap
