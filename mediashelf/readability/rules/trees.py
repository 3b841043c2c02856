"""Rules about trees: which one a target reads, and what it misses in the others."""

from __future__ import annotations

from array import array
from collections import defaultdict
from collections.abc import Iterator
from typing import NamedTuple

from mediashelf.findings import Severity
from mediashelf.formats.entries import list_paths
from mediashelf.formats.pairing.places import NO_PLACE
from mediashelf.formats.volume import Entry, VolumeKind, is_notice
from mediashelf.readability.disc import COMPARED, TREE_WORDS, DiscPart, JudgedDisc
from mediashelf.readability.limits import Limit
from mediashelf.readability.name_tree import NameTree
from mediashelf.readability.rule_types import ROOT, LazyHits, Question, Rule, RuleHit, at_entry
from mediashelf.text import count_text, same_case

_TOLD = -1


def readable(question: Question, limit: Limit) -> Iterator[RuleHit]:
    """One hit when the disc has no tree of a kind that the target reads."""
    if question.tree is not None:
        return  # as nearly always
    kinds = [volume.kind for volume in question.disc.facts.volumes]
    is_maybe = "udf_by_some" in question.target.limits and VolumeKind.UDF in kinds
    if not set(kinds) & set(question.target.trees) and not is_maybe:
        found = ", ".join(TREE_WORDS[kind] for kind in dict.fromkeys(kinds)) or "no file system"
        expected = " or ".join(TREE_WORDS[kind] for kind in question.target.trees)
        yield RuleHit(ROOT, f"the disc has {found}, the system reads {expected}", found, expected)


def whole(question: Question, limit: Limit) -> Iterator[RuleHit]:
    """One hit when damage or a bound kept part of the tree from being read."""
    tree = question.tree
    if tree is not None and not tree.volume.is_complete:
        noun = count_text(len(tree.entries), "entry", "entries")
        yield RuleHit(
            ROOT,
            f"the {TREE_WORDS[tree.kind]} tree could not be read whole; only {noun} were checked",
            f"{len(tree.entries)}",
        )


def holds_all(question: Question, limit: Limit) -> Iterator[RuleHit]:
    """Files of another tree whose contents the tree that the target reads does not name."""
    seen = question.tree
    if seen is None or not seen.volume.is_complete:
        return
    disc = question.disc
    if disc.misses_nothing(seen):
        return  # as on most discs
    known = _boot_places(disc)
    for kind, other in [(kind, disc.tree(kind)) for kind in COMPARED]:
        if other is None or other is seen:
            continue
        lacking = disc.missing_from(seen, other)
        reported: set[int] = set()
        is_stub = is_notice(other.volume, seen.volume)
        for number in lacking.surely:
            entry, place = other.entries[number], other.places.all[number]
            if place in known or (kind is VolumeKind.ISO9660 and entry.is_translation_table):
                continue
            if place != NO_PLACE:
                reported.add(place)
            hit = at_entry(
                entry,
                f"the file is in the {TREE_WORDS[kind]} tree, not in the "
                f"{TREE_WORDS[seen.kind]} tree that the system reads",
            )
            yield hit._replace(at_most=Severity.NOTE) if is_stub else hit
        known |= reported
        for number in lacking.maybe:
            hit = at_entry(
                other.entries[number],
                f"whether the {TREE_WORDS[seen.kind]} tree that the system reads has this file of "
                f"the {TREE_WORDS[kind]} tree is not known: one of its size is there under another "
                "name or in another folder",
            )
            yield hit._replace(at_most=Severity.NOTE)


def joliet_present(question: Question, _limit: Limit) -> Iterator[RuleHit]:
    """One hit when the target can see no long names because there is no Joliet tree."""
    if question.tree is not None and question.tree.kind is VolumeKind.ISO9660:
        yield RuleHit(ROOT, "the disc has no Joliet tree; names are those of the ISO 9660 tree")


def rockridge_names(question: Question, _limit: Limit) -> Iterator[RuleHit]:
    """One hit when long names are in Rock Ridge alone."""
    rockridge = question.disc.facts.volume(VolumeKind.ROCKRIDGE)
    seen = question.tree
    if rockridge is None or seen is None or seen.kind is not VolumeKind.ISO9660:
        return
    if question.disc.facts.volume(VolumeKind.JOLIET) is not None:
        return
    short = set(map(same_case, list_paths(seen.entries)))
    unseen = [path for path in list_paths(rockridge.entries) if same_case(path) not in short]
    if unseen:
        noun = count_text(len(unseen), "name")
        yield RuleHit(
            ROOT,
            f"{noun} in Rock Ridge alone, {unseen[0].rpartition('/')[2]} for one, can't be seen",
            str(len(unseen)),
            "a Joliet tree with long names",
        )


def long_name_seen(question: Question, _limit: Limit) -> LazyHits | tuple[()]:
    """Files that the target sees under a short name only, while Joliet has a long one."""
    seen, joliet = question.tree, question.disc.tree(VolumeKind.JOLIET)
    if seen is None or joliet is None or seen.kind is not VolumeKind.ISO9660:
        return ()

    found = _find_renamed(seen, joliet)

    def hit(at: int) -> RuleHit:
        short, long = found.short[at], found.long[at]
        if short == _TOLD:
            return found.hits[long]
        return _seen_as(seen.entries[short], joliet.names[long])

    return LazyHits(range(len(found.short)), hit)


class _Renamed(NamedTuple):
    """The numbers of an entry in both trees: a large disc has 100,000 of them.

    Where the first is :data:`_TOLD` the second is the place of a hit.
    """

    short: array[int]
    long: array[int]
    hits: list[RuleHit]


def _find_renamed(seen: NameTree, joliet: NameTree) -> _Renamed:
    shared = {*joliet.places.shared, *seen.places.shared}
    short_names, long_names = seen.names, joliet.names
    short_at = seen.places.finder()
    told: set[int] = set()
    found = _Renamed(array("i"), array("i"), [])
    for other, place in enumerate(joliet.places.all):
        if place in shared:
            if place not in told:
                told.add(place)
                for hit in _renamed(seen.files_at(place), joliet.files_at(place)):
                    found.short.append(_TOLD)
                    found.long.append(len(found.hits))
                    found.hits.append(hit)
            continue
        # One file under one name in each tree: nearly always.
        one = short_at(place) if place >= NO_PLACE else None
        if one is not None and same_case(short_names[one]) != same_case(long_names[other]):
            found.short.append(one)
            found.long.append(other)
    return found


def _seen_as(short: Entry, long_name: str) -> RuleHit:
    words = f'the file is seen under this name; its long name "{long_name}" is not'
    return at_entry(short, words, short.name, long_name)


def _renamed(short: list[Entry], long: list[Entry]) -> Iterator[RuleHit]:
    """Yield files of equal contents whose long name is not among the short names."""
    short, long = _without_same_names(short, long)
    if len(short) == len(long) == 1:
        yield _seen_as(short[0], long[0].name)
    elif short:
        for entry in long:
            yield at_entry(entry, "the file is seen under a short name only", "", entry.name)


def _without_same_names(short: list[Entry], long: list[Entry]) -> tuple[list[Entry], list[Entry]]:
    """Return what is left of both when names that differ in nothing but case are paired off."""
    unpaired = defaultdict(list)
    for entry in short:
        unpaired[same_case(entry.name)].append(entry)
    rest = []
    for entry in long:
        same = unpaired[same_case(entry.name)]
        if same:
            same.pop()
        else:
            rest.append(entry)
    return [entry for entries in unpaired.values() for entry in entries], rest


def _boot_places(disc: JudgedDisc) -> set[int]:
    boot = disc.facts.boot
    return {boot.catalog_lba, *(entry.load_lba for entry in boot.entries)} if boot else set()


TREE_RULES = (
    Rule(
        "file-system-readable",
        Severity.ERROR,
        "trees",
        "The disc has a file system that the system reads",
        readable,
        "build the disc again with an ISO 9660 tree: mediashelf build",
        hides_disc=True,
    ),
    Rule(
        "tree-checked-whole",
        Severity.ERROR,
        "trees",
        "The whole tree was checked",
        whole,
        "see what is damaged with: mediashelf audit",
    ),
    Rule(
        "tree-names-all-files",
        Severity.ERROR,
        "trees",
        "Every file of the disc is in the tree that the system reads",
        holds_all,
        "build the disc again with all files in both trees: mediashelf build",
    ),
    Rule(
        "joliet-present",
        Severity.WARNING,
        "joliet_wanted",
        "There is a Joliet tree with long names",
        joliet_present,
        "build the disc again if long names are needed: mediashelf build",
    ),
    Rule(
        "names-outside-rockridge",
        Severity.WARNING,
        "ignores_rockridge",
        "Long names are not in Rock Ridge alone",
        rockridge_names,
        "build the disc again with a Joliet tree: mediashelf build",
        part=DiscPart.ROCKRIDGE,
    ),
    Rule(
        "long-name-seen",
        Severity.NOTE,
        "trees",
        "Files have their long names in the tree that the system reads",
        long_name_seen,
        "use the short name there; scripts and driver texts may need the long one",
    ),
)
