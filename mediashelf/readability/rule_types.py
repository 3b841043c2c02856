"""What a readability rule is: a row with a predicate, and what the predicate gives."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import NamedTuple

from mediashelf.findings import Finding, Severity
from mediashelf.formats.volume import Entry, VolumeKind
from mediashelf.readability.disc import JudgedDisc, NameTree
from mediashelf.readability.limits import Limit
from mediashelf.readability.targets import Target

ROOT = "/"


class RuleHit(NamedTuple):
    """One place where a disc breaks a rule; the rule's row and the target's row do the rest.

    ``at_most`` holds the severity down for a place that matters less than others.
    """

    where: str
    message: str
    found: str = ""
    expected: str = ""
    offset: int | None = None
    at_most: Severity | None = None


@dataclass(frozen=True, slots=True)
class Question:
    """What a predicate may ask: the disc, the target, and the tree that the target reads.

    Where ``only_levels`` matter, nobody reads what a hit says.
    """

    disc: JudgedDisc
    target: Target
    tree: NameTree | None
    only_levels: bool = False

    @classmethod
    def about(cls, disc: JudgedDisc, target: Target, *, only_levels: bool = False) -> Question:
        """Return the question whether ``target`` reads ``disc``."""
        return cls(disc, target, disc.seen_by(target), only_levels)


DiscCheck = Callable[[Question, Limit], Iterator[RuleHit]]
TreeCheck = Callable[[NameTree, Limit], Iterator[RuleHit]]


@dataclass(frozen=True, slots=True)
class Rule:
    """One fact that must hold so that a target can read a disc.

    ``needs`` names the limit that gives the threshold and the source; a target
    without it is not asked. ``severity`` holds where that row names none.
    ``hides_disc`` marks rules after which nothing of the disc can be read.
    """

    id: str
    severity: Severity
    needs: str
    title: str
    check: DiscCheck
    remedy: str
    hides_disc: bool = False

    def severity_for(self, target: Target) -> Severity | None:
        """Return how much breaking this rule matters to ``target``, None when not at all."""
        limit = target.limits.get(self.needs)
        return limit.severity_of(self.severity) if limit else None

    def levels(self, question: Question) -> Iterator[Severity]:
        """Yield the severities of :meth:`findings`, for whoever needs nothing else of them."""
        limit = question.target.limits.get(self.needs)
        if limit is None:
            return
        severity = limit.severity_of(self.severity)
        for hit in self.check(question, limit):
            yield severity if hit.at_most is None else min(severity, hit.at_most)

    def findings(self, question: Question) -> Iterator[Finding]:
        """Yield a finding for each place where the disc breaks this rule for the target."""
        limit = question.target.limits.get(self.needs)
        if limit is None:
            return
        severity = limit.severity_of(self.severity)
        for hit in self.check(question, limit):
            yield Finding(
                self.id,
                severity if hit.at_most is None else min(severity, hit.at_most),
                hit.where,
                hit.message,
                self.remedy,
                limit.source,
                hit.found,
                hit.expected,
                hit.offset,
                None,
                question.target.name,
            )


def in_tree(check: TreeCheck, *kinds: VolumeKind) -> DiscCheck:
    """Ask ``check`` about the tree that the target reads, if it is of one of ``kinds`` (or any)."""

    def ask(question: Question, limit: Limit) -> Iterator[RuleHit]:
        tree = question.tree
        if tree is not None and (not kinds or tree.kind in kinds):
            yield from check(tree, limit)

    return ask


def at_entry(entry: Entry, message: str, found: object = "", expected: object = "") -> RuleHit:
    """Return a hit at an entry of a tree."""
    offset = entry.record_offset if entry.record_offset >= 0 else None
    return RuleHit(entry.path, message, str(found), str(expected), offset)
