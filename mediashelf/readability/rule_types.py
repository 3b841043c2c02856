"""What a readability rule is: a row with a predicate, and what the predicate gives."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from functools import partial
from itertools import groupby
from typing import Any, NamedTuple, TypeVar

from msgspec import Struct

from mediashelf.findings import Finding, FindingRun, Severity
from mediashelf.formats.volume import Entry, VolumeKind
from mediashelf.readability.disc import DiscPart, JudgedDisc, NameTree
from mediashelf.readability.limits import Limit, LimitValue
from mediashelf.readability.targets import Target
from mediashelf.sequences import MadeSequence

ROOT = "/"

_Known = TypeVar("_Known")


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


class LazyHits(MadeSequence[RuleHit]):
    """Many hits without ``at_most``, each made of what is known of it when it is asked for."""

    __slots__ = ("_known", "_make")

    def __init__(self, known: Sequence[_Known], make: Callable[[_Known], RuleHit]) -> None:
        self._known: Sequence[Any] = known
        self._make: Callable[[Any], RuleHit] = make

    def __len__(self) -> int:
        return len(self._known)

    def make(self, place: int) -> RuleHit:
        return self._make(self._known[place])


class Question(Struct, frozen=True):
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


DiscCheck = Callable[[Question, Limit], Iterator[RuleHit] | Sequence[RuleHit]]
TreeCheck = Callable[[NameTree, Limit], Iterator[RuleHit]]


class Rule(Struct, frozen=True):
    """One fact that must hold so that a target can read a disc.

    ``needs`` names the limit that gives the threshold and the source; a target
    without it is not asked. ``severity`` holds where that row names none.
    ``hides_disc`` marks rules after which nothing of the disc can be read. A disc without the
    ``part`` breaks no rule about it, and is not asked where only the worst is wanted.
    """

    id: str
    severity: Severity
    needs: str
    title: str
    check: DiscCheck | InTree
    remedy: str
    hides_disc: bool = False
    part: DiscPart | None = None

    def severity_for(self, target: Target) -> Severity | None:
        """Return how much breaking this rule matters to ``target``, None when not at all."""
        limit = target.limits.get(self.needs)
        return limit.severity_of(self.severity) if limit else None

    def runs(self, question: Question) -> Iterator[FindingRun]:
        """Yield a finding for each place where the disc breaks this rule for the target."""
        limit = question.target.limits.get(self.needs)
        if limit is None:
            return
        hits = self._hits(question, limit)
        if not hits:
            return
        caps = [(None, len(hits))] if isinstance(hits, LazyHits) else _equal_caps(hits)
        start = 0
        for cap, count in caps:
            severity = limit.severity_of(self.severity)
            severity = severity if cap is None else min(severity, cap)
            make = partial(self._finding, severity, hits, start, limit.source, question.target.name)
            yield FindingRun(self.id, severity, question.target.name, count, make)
            start += count

    def _hits(self, question: Question, limit: Limit) -> Sequence[RuleHit]:
        """Return all places; what another target with this limit asked of the tree is known."""
        check, tree = self.check, question.tree
        if not isinstance(check, InTree):
            hits = check(question, limit)
            return hits if isinstance(hits, Sequence) else list(hits)
        if tree is None or not check.is_about(tree):
            return ()
        key = check.key(limit)
        known = tree.hits.get(key)
        if known is None:
            known = tree.hits[key] = list(check.check(tree, limit))
        return known

    def _finding(
        self,
        severity: Severity,
        hits: Sequence[RuleHit],
        start: int,
        source: str,
        target: str,
        index: int,
    ) -> Finding:
        where, message, found, expected, offset, _ = hits[start + index]
        more = self.remedy, source, found, expected, offset, None, target
        return Finding(self.id, severity, where, message, *more)


def _equal_caps(hits: Sequence[RuleHit]) -> Iterator[tuple[Severity | None, int]]:
    for cap, group in groupby(hits, lambda hit: hit.at_most):
        yield cap, len(list(group))


class InTree(Struct, frozen=True):
    """A check of the tree that the target reads, if it is of one of ``kinds`` (or any)."""

    check: TreeCheck
    kinds: tuple[VolumeKind, ...]

    def is_about(self, tree: NameTree) -> bool:
        """Return whether the tree is of a kind that is asked."""
        return not self.kinds or tree.kind in self.kinds

    def key(self, limit: Limit) -> tuple[TreeCheck, LimitValue]:
        """Return by what a tree knows the answer, for every target with the same limit."""
        return self.check, limit.value


def in_tree(check: TreeCheck, *kinds: VolumeKind) -> InTree:
    """Ask ``check`` about the tree that the target reads, if it is of one of ``kinds`` (or any).

    It knows nothing of the target but the limit's value.
    """
    return InTree(check, kinds)


def at_entry(entry: Entry, message: str, found: object = "", expected: object = "") -> RuleHit:
    """Return a hit at an entry of a tree."""
    offset = entry.record_offset if entry.record_offset >= 0 else None
    return RuleHit(entry.path, message, str(found), str(expected), offset)
