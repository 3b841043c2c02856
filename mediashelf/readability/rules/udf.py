"""Rules about UDF: which revisions a target reads, and what was not checked because of it."""

from __future__ import annotations

from collections.abc import Iterator

from mediashelf.findings import Severity
from mediashelf.formats.pairing.places import begins_of
from mediashelf.formats.volume import VolumeKind
from mediashelf.readability.disc import TREE_WORDS, DiscPart
from mediashelf.readability.limits import Limit
from mediashelf.readability.rule_types import ROOT, Question, Rule, RuleHit
from mediashelf.text import size_text


def udf_newest(question: Question, limit: Limit) -> Iterator[RuleHit]:
    """One hit when the UDF revision is newer than any member of the family reads."""
    revision = question.disc.udf_revision
    if revision is not None and revision.text > limit.text():
        # On a disc with another tree that one is read instead.
        is_certain = revision.is_recorded and not _has_other_tree(question)
        yield RuleHit(
            ROOT,
            f"the disc has {revision.words}, the system reads up to {limit.text()}",
            revision.words,
            f"at most {limit.text()}",
            at_most=None if is_certain else Severity.NOTE,
        )


def udf_common(question: Question, limit: Limit) -> Iterator[RuleHit]:
    """One hit when only some members of the family read the UDF revision."""
    newest = question.target.limits.get("udf_newest")
    revision = question.disc.udf_revision
    if revision is None or (newest is not None and revision.text > newest.text()):
        return
    if revision.text > limit.text():
        is_certain = revision.is_recorded and not _has_other_tree(question)
        yield RuleHit(
            ROOT,
            f"the disc has {revision.words}, some of the family read up to {limit.text()}",
            revision.words,
            f"at most {limit.text()}",
            at_most=None if is_certain else Severity.NOTE,
        )


def udf_by_some(question: Question, limit: Limit) -> Iterator[RuleHit]:
    """One hit when the disc has UDF alone, which some members of the family read."""
    if question.disc.facts.volume(VolumeKind.UDF) is not None and not _has_other_tree(question):
        expected = " or ".join(TREE_WORDS[kind] for kind in question.target.trees)
        yield RuleHit(
            ROOT,
            "the disc has UDF alone, which not every member of the family reads",
            TREE_WORDS[VolumeKind.UDF],
            expected,
        )


def udf_listed(question: Question, limit: Limit) -> Iterator[RuleHit]:
    """One hit when the target may read a UDF tree that was not read here."""
    udf = question.disc.facts.volume(VolumeKind.UDF)
    if udf is None or udf.entries_read or question.disc.is_too_new(udf.kind, question.target):
        return
    if udf.kind in question.target.trees:
        other = f"; its {TREE_WORDS[question.tree.kind]} tree was" if question.tree else ""
        yield RuleHit(
            ROOT,
            f"the system can read this disc's UDF tree, which was not checked{other}",
            at_most=None if question.tree is None else Severity.NOTE,
        )


def accounts_for_disc(question: Question, limit: Limit) -> Iterator[RuleHit]:
    """One hit when UDF, which neither the target nor we read, must hold most of the disc."""
    udf = question.disc.facts.volume(VolumeKind.UDF)
    tree, size = question.tree, question.disc.facts.size
    if udf is None or udf.entries_read or VolumeKind.UDF in question.target.trees:
        return
    if tree is None or not size:
        return
    sizes: dict[int, int] = {}  # of files that begin together one counts
    for folder in tree.folders:
        begins = folder.of_files(begins_of(folder))
        sizes.update(zip(begins, folder.of_files(folder.sizes), strict=True))
    held = sum(sizes.values())
    if held * 100 < size * limit.number():
        yield RuleHit(
            ROOT,
            f"the {TREE_WORDS[tree.kind]} tree holds {size_text(held)} of a disc of "
            f"{size_text(size)}; the rest may be in UDF only",
            size_text(held),
            f"at least {limit.number()} % of the disc",
        )


def _has_other_tree(question: Question) -> bool:
    kinds = {volume.kind for volume in question.disc.facts.volumes} - {VolumeKind.UDF}
    return not kinds.isdisjoint(question.target.trees)


UDF_RULES = (
    Rule(
        "udf-readable",
        Severity.ERROR,
        "udf_newest",
        "The UDF revision is one that the system reads",
        udf_newest,
        "use a disc with an ISO 9660 tree, or one with an older UDF revision",
        hides_disc=True,
        part=DiscPart.UDF,
    ),
    Rule(
        "udf-readable-by-all",
        Severity.WARNING,
        "udf_common",
        "The UDF revision is one that every member of the family reads",
        udf_common,
        "try the disc with the very system that is to read it",
        part=DiscPart.UDF,
    ),
    Rule(
        "udf-read-by-some",
        Severity.WARNING,
        "udf_by_some",
        "Every member of the family reads a tree of the disc",
        udf_by_some,
        "try the disc with the very system that is to read it",
        hides_disc=True,
        part=DiscPart.UDF,
    ),
    Rule(
        "udf-tree-checked",
        Severity.WARNING,
        "trees",
        "The UDF tree that the system can read was checked",
        udf_listed,
        "look through the disc with the system that is to read it",
        part=DiscPart.UDF,
    ),
    Rule(
        "tree-accounts-for-disc",
        Severity.WARNING,
        "tree_share",
        "The tree accounts for most of the disc",
        accounts_for_disc,
        "check on another system that the files which are needed are in this tree",
        part=DiscPart.UDF,
    ),
)
