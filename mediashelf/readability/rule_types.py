"""What a readability rule is: a row with a predicate, and what the predicate gives."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from functools import partial
from itertools import islice
from typing import Any, NamedTuple, TypeVar, cast

from msgspec import Struct

from mediashelf.findings import Finding, FindingRun, Severity
from mediashelf.formats.volume import Entry, VolumeKind
from mediashelf.readability.disc import DiscPart, JudgedDisc
from mediashelf.readability.limits import Limit, LimitValue
from mediashelf.readability.name_tree import NameTree
from mediashelf.readability.targets import Target
from mediashelf.sequences import MadeSequence

ROOT = "/"
_MOST_KEPT = 200  # hits of one rule in one tree
_MOST_CAPS = 8

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


class RepeatedHits(MadeSequence[RuleHit]):
    """Hits of which few are kept: whoever wants all has them looked for again.

    ``caps`` says how many follow each other with the same ``at_most``.
    """

    __slots__ = ("_again", "_kept", "caps")

    def __init__(self, again: Callable[[], Iterator[RuleHit]], first: Iterator[RuleHit]) -> None:
        self._again = again
        self._kept: list[RuleHit] = []
        self.caps: list[tuple[Severity | None, int]] = []
        for hit in first:
            if len(self._kept) < _MOST_KEPT:
                self._kept.append(hit)
            cap, count = self.caps[-1] if self.caps else (None, 0)
            if count and cap is hit.at_most:
                self.caps[-1] = cap, count + 1
            else:
                self.caps.append((hit.at_most, 1))
        if len(self.caps) > _MOST_CAPS:  # each would be looked for by itself
            self._kept = list(again())

    def __len__(self) -> int:
        return sum(count for _, count in self.caps)

    def __iter__(self) -> Iterator[RuleHit]:
        return iter(self._kept) if len(self._kept) == len(self) else self._again()

    def make(self, place: int) -> RuleHit:
        if place < len(self._kept):
            return self._kept[place]
        return next(islice(self._again(), place, None))


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


DiscCheck = Callable[[Question, Limit], Iterator[RuleHit] | LazyHits | tuple[()]]
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
        target = question.target.name
        start = 0
        for cap, count in hits.caps if isinstance(hits, RepeatedHits) else [(None, len(hits))]:
            severity = limit.severity_of(self.severity)
            severity = severity if cap is None else min(severity, cap)
            say = partial(self._finding, severity, limit.source, target)
            make, make_all = partial(_make_one, say, hits, start), None
            if isinstance(hits, RepeatedHits):
                make_all = partial(_make_all, say, hits, start, start + count)
            yield FindingRun(self.id, severity, target, count, make, make_all)
            start += count

    def _hits(self, question: Question, limit: Limit) -> LazyHits | RepeatedHits | tuple[()]:
        """Return all places; what another target with this limit asked of the tree is known."""
        check, tree = self.check, question.tree
        if not isinstance(check, InTree):
            hits = check(question, limit)
            return (
                hits
                if not isinstance(hits, Iterator)
                else RepeatedHits(
                    cast("Callable[[], Iterator[RuleHit]]", partial(check, question, limit)), hits
                )
            )
        if tree is None or not check.is_about(tree):
            return ()
        key = tree.kind, check.key(limit)
        known = question.disc.hits.get(key)
        if known is None:
            again = partial(check.check, tree, limit)
            known = question.disc.hits[key] = RepeatedHits(again, again())
        return known

    def _finding(self, severity: Severity, source: str, target: str, hit: RuleHit) -> Finding:
        where, message, found, expected, offset, _ = hit
        more = self.remedy, source, found, expected, offset, None, target
        return Finding(self.id, severity, where, message, *more)


def _make_one(
    say: Callable[[RuleHit], Finding], hits: LazyHits | RepeatedHits, start: int, index: int
) -> Finding:
    return say(hits.make(start + index))


def _make_all(
    say: Callable[[RuleHit], Finding], hits: RepeatedHits, start: int, end: int
) -> Iterator[Finding]:
    return map(say, islice(hits, start, end))


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
