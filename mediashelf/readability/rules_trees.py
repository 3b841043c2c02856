"""Rules about trees: which one a target reads, and what it misses in the others."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator

from mediashelf.findings import Severity
from mediashelf.formats.volume import Entry, VolumeFacts, VolumeKind
from mediashelf.readability.disc import NO_PLACE, Disc, content_place, same_case
from mediashelf.readability.limits import Limit
from mediashelf.readability.rule_types import ROOT, Hit, Question, Rule, at_entry
from mediashelf.text import count_text, size_text

_TREE_WORDS = {
    VolumeKind.ISO9660: "ISO 9660",
    VolumeKind.JOLIET: "Joliet",
    VolumeKind.ROCKRIDGE: "Rock Ridge",
    VolumeKind.UDF: "UDF",
}
_COMPARED = (VolumeKind.ISO9660, VolumeKind.JOLIET, VolumeKind.UDF)
_REVISION = re.compile(r"\b[1-9]\.[0-9]{2}\b")
_NSR03_REVISION = "2.00"  # from memory: NSR03 is recorded from UDF 2.00 on


def readable(question: Question, limit: Limit) -> Iterator[Hit]:
    """One hit when the disc has no tree of a kind that the target reads."""
    kinds = [volume.kind for volume in question.disc.facts.volumes]
    if not set(kinds) & set(question.target.trees):
        found = ", ".join(_TREE_WORDS[kind] for kind in dict.fromkeys(kinds)) or "no file system"
        expected = " or ".join(_TREE_WORDS[kind] for kind in question.target.trees)
        yield Hit(ROOT, f"the disc has {found}, the target reads {expected}", found, expected)


def udf_newest(question: Question, limit: Limit) -> Iterator[Hit]:
    """One hit when the UDF revision is newer than any, or than every, member reads."""
    udf = question.disc.facts.volume(VolumeKind.UDF)
    if udf is None:
        return
    recorded = _REVISION.search(udf.detail)
    if recorded:
        revision, words = recorded.group(), f"UDF {recorded.group()}"
    elif "NSR03" in udf.detail:
        revision, words = _NSR03_REVISION, "UDF 2.00 or newer, going by its NSR03"
    else:
        return
    if revision > limit.text():
        yield Hit(
            ROOT,
            f"the disc has {words}, the target reads up to {limit.text()}",
            words,
            f"at most {limit.text()}",
            at_most=Severity.NOTE if not recorded or _has_other_tree(question) else None,
        )


def udf_listed(question: Question, limit: Limit) -> Iterator[Hit]:
    """One hit when the target may read a UDF tree that was not read here."""
    udf = question.disc.facts.volume(VolumeKind.UDF)
    if udf and not udf.entries_read and VolumeKind.UDF in question.target.trees:
        other = f"; its {_TREE_WORDS[question.tree.kind]} tree was" if question.tree else ""
        yield Hit(
            ROOT,
            f"the target can read this disc's UDF tree, which was not checked{other}",
            at_most=None if question.tree is None else Severity.NOTE,
        )


def whole(question: Question, limit: Limit) -> Iterator[Hit]:
    """One hit when damage or a bound kept part of the tree from being read."""
    tree = question.tree
    if tree is not None and not tree.volume.is_complete:
        noun = count_text(len(tree.entries), "entry", "entries")
        yield Hit(
            ROOT,
            f"the {_TREE_WORDS[tree.kind]} tree could not be read whole; only {noun} were checked",
            f"{len(tree.entries)}",
        )


def holds_all(question: Question, limit: Limit) -> Iterator[Hit]:
    """Files of another tree whose contents the tree that the target reads does not name."""
    seen = question.tree
    if seen is None or not seen.has_places or not seen.volume.is_complete:
        return
    known = seen.places.keys() | _boot_places(question.disc) | {NO_PLACE}
    reported: set[int] = set()
    for kind in _COMPARED:
        other = question.disc.tree(kind)
        if other is None or other is seen:
            continue
        for place in other.places.keys() - known - reported:
            reported.add(place)
            for entry in other.places[place]:
                yield at_entry(
                    entry,
                    f"the file is in the {_TREE_WORDS[kind]} tree, not in the "
                    f"{_TREE_WORDS[seen.kind]} tree that the target reads",
                )


def accounts_for_disc(question: Question, limit: Limit) -> Iterator[Hit]:
    """One hit when UDF contents, which the target does not read, must be most of the disc."""
    udf = question.disc.facts.volume(VolumeKind.UDF)
    tree, size = question.tree, question.disc.facts.size
    if udf is None or tree is None or VolumeKind.UDF in question.target.trees or not size:
        return
    held = sum({content_place(entry): entry.size for entry in tree.volume.files}.values())
    if held * 100 < size * limit.number():
        yield Hit(
            ROOT,
            f"the {_TREE_WORDS[tree.kind]} tree holds {size_text(held)} of a disc of "
            f"{size_text(size)}; the rest may be in UDF only",
            size_text(held),
            f"at least {limit.number()} % of the disc",
        )


def joliet_present(question: Question, _limit: Limit) -> Iterator[Hit]:
    """One hit when the target can see no long names because there is no Joliet tree."""
    if question.tree is not None and question.tree.kind is VolumeKind.ISO9660:
        yield Hit(ROOT, "the disc has no Joliet tree; names are those of the ISO 9660 tree")


def rockridge_names(question: Question, _limit: Limit) -> Iterator[Hit]:
    """One hit when long names are in Rock Ridge alone."""
    rockridge = question.disc.facts.volume(VolumeKind.ROCKRIDGE)
    seen = question.tree
    if rockridge is None or seen is None or seen.kind is not VolumeKind.ISO9660:
        return
    if question.disc.facts.volume(VolumeKind.JOLIET) is not None:
        return
    short = {same_case(entry.path) for entry in seen.entries}
    unseen = [entry for entry in rockridge.entries if same_case(entry.path) not in short]
    if unseen:
        noun = count_text(len(unseen), "name")
        yield Hit(
            ROOT,
            f"{noun} in Rock Ridge alone, {unseen[0].name} for one, can't be seen",
            str(len(unseen)),
            "a Joliet tree with long names",
        )


def long_name_seen(question: Question, _limit: Limit) -> Iterator[Hit]:
    """Files that the target sees under a short name only, while Joliet has a long one."""
    seen, joliet = question.tree, question.disc.tree(VolumeKind.JOLIET)
    if seen is None or joliet is None or seen.kind is not VolumeKind.ISO9660:
        return
    for place, files in joliet.places.items():
        yield from _renamed(seen.places.get(place, []), files)


def _renamed(short: list[Entry], long: list[Entry]) -> Iterator[Hit]:
    """Yield files of equal contents whose long name is not among the short names."""
    same = Counter(same_case(entry.name) for entry in short)
    rest = []
    for entry in long:
        name = same_case(entry.name)
        if same[name] > 0:
            same[name] -= 1
        else:
            rest.append(entry)
    left = [entry for entry in short if same[same_case(entry.name)] > 0]
    if len(rest) == len(left) == 1:
        yield at_entry(
            left[0],
            f'the file is seen under this name; its long name "{rest[0].name}" is not',
            left[0].name,
            rest[0].name,
        )
    elif left:
        for entry in rest:
            yield at_entry(entry, "the file is seen under a short name only", "", entry.name)


def _boot_places(disc: Disc) -> set[int]:
    boot = disc.facts.boot
    return {boot.catalog_lba, *(entry.load_lba for entry in boot.entries)} if boot else set()


def _has_other_tree(question: Question) -> bool:
    others: list[VolumeFacts] = [
        volume
        for volume in question.disc.facts.volumes
        if volume.kind in question.target.trees and volume.kind is not VolumeKind.UDF
    ]
    return bool(others)


TREE_RULES = (
    Rule(
        "file-system-readable",
        Severity.ERROR,
        "trees",
        "The disc has a file system that the target reads",
        readable,
        "Build the disc again with an ISO 9660 tree: mediashelf build",
        hides_disc=True,
    ),
    Rule(
        "udf-readable",
        Severity.ERROR,
        "udf_newest",
        "The UDF revision is one that the target reads",
        udf_newest,
        "Use a disc with an ISO 9660 tree, or one with an older UDF revision",
    ),
    Rule(
        "udf-readable-by-all",
        Severity.WARNING,
        "udf_common",
        "The UDF revision is one that every member of the family reads",
        udf_newest,
        "Try the disc with the very system that is to read it",
    ),
    Rule(
        "udf-tree-checked",
        Severity.WARNING,
        "trees",
        "The UDF tree that the target can read was checked",
        udf_listed,
        "Look through the disc with the system that is to read it",
    ),
    Rule(
        "tree-checked-whole",
        Severity.WARNING,
        "trees",
        "The whole tree was checked",
        whole,
        "See what is damaged with: mediashelf audit",
    ),
    Rule(
        "tree-names-all-files",
        Severity.ERROR,
        "trees",
        "Every file of the disc is in the tree that the target reads",
        holds_all,
        "Build the disc again with all files in both trees: mediashelf build",
    ),
    Rule(
        "tree-accounts-for-disc",
        Severity.WARNING,
        "tree_share",
        "The tree accounts for most of the disc",
        accounts_for_disc,
        "Check on another system that the files which are needed are in this tree",
    ),
    Rule(
        "joliet-present",
        Severity.WARNING,
        "joliet_wanted",
        "There is a Joliet tree with long names",
        joliet_present,
        "Build the disc again if long names are needed: mediashelf build",
    ),
    Rule(
        "names-outside-rockridge",
        Severity.WARNING,
        "ignores_rockridge",
        "Long names are not in Rock Ridge alone",
        rockridge_names,
        "Build the disc again with a Joliet tree: mediashelf build",
    ),
    Rule(
        "long-name-seen",
        Severity.NOTE,
        "trees",
        "Files have their long names in the tree that the target reads",
        long_name_seen,
        "Use the short name there; scripts and driver texts may need the long one",
    ),
)
