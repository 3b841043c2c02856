"""Rules about single names: form, length, and names that are traps."""

from __future__ import annotations

import re
from collections.abc import Iterator

from mediashelf.findings import Severity
from mediashelf.formats.volume import VolumeKind
from mediashelf.readability.limits import Limit
from mediashelf.readability.name_tree import NameTree, stem_of
from mediashelf.readability.rule_types import ROOT, Rule, RuleHit, at_entry, in_tree
from mediashelf.readability.rules.letters import units
from mediashelf.text import count_text

ISO, JOLIET = VolumeKind.ISO9660, VolumeKind.JOLIET

_SHORT_FORMS = {"8.3": r"[^./]{1,8}(?:\.[^./]{1,3})?"}
"""Forms of file names; a directory has the part before the dot only (ECMA-119 10.1)."""

_SHORT_NAME = re.compile(r"[!-\-/-~]{1,8}(\.[!-\-/-~]{1,3})?")
"""A name in 8.3 form by [MS-FSCC] 2.1.5.2.1: ASCII, no space, at most one dot."""


def name_form(tree: NameTree, limit: Limit) -> Iterator[RuleHit]:
    """Names that are not of the form that the limit names."""
    pattern = _SHORT_FORMS[limit.text()]
    is_other = any(re.search(f"/(?!{pattern}/|$)", text) for text in tree.texts)
    if not is_other and not any("." in name for name in tree.directory_names):
        return
    form = re.compile(pattern)
    for entry, name in tree.named(lambda name: "." in name or not form.fullmatch(name)):
        if not form.fullmatch(name):
            yield at_entry(entry, f"the name is not of {limit.text()} form", name, limit.text())
        elif entry.is_directory and "." in name:
            yield at_entry(
                entry,
                "the directory's name has an extension",
                name,
                "at most 8 characters without a dot",
            )._replace(at_most=Severity.WARNING)


def name_length(tree: NameTree, limit: Limit) -> Iterator[RuleHit]:
    """Names with more characters (16-bit units in Joliet and UDF) than the limit."""
    most = limit.number()
    # A character outside the Basic Multilingual Plane takes two units, so a
    # name of up to half the limit fits whatever it is made of.
    if tree.longest_name * 2 <= most:
        return
    count = len if tree.kind is ISO else units
    for entry, name in tree.named(lambda name: len(name) * 2 > most and count(name) > most):
        length = count(name)
        yield at_entry(
            entry,
            f"the name has {length} characters, of which {most} are read",
            length,
            f"at most {most}",
        )


def reserved(tree: NameTree, limit: Limit) -> Iterator[RuleHit]:
    """Names that are a device's."""
    devices = tree.stems_among(limit.words())
    if not devices:
        return
    for entry, name in tree.named(lambda name: "." not in name and stem_of(name) in devices):
        yield at_entry(entry, f"{stem_of(name)} is the name of a device", name, "another name")


def reserved_stem(tree: NameTree, limit: Limit) -> Iterator[RuleHit]:
    """Names that are a device's with an extension."""
    devices = tree.stems_among(limit.words())
    if not devices:
        return
    for entry, name in tree.named(lambda name: "." in name and stem_of(name) in devices):
        words = f"{stem_of(name)} is the name of a device, with any extension"
        yield at_entry(entry, words, name, "another name")


def tilde_tail(tree: NameTree, limit: Limit) -> Iterator[RuleHit]:
    """Names in 8.3 form whose ``~`` tail has one of the limit's letters among its digits."""
    if "~" not in tree.alphabet:
        return
    letters = re.escape(limit.text())
    tail = re.compile(f"[^.]+~[0-9{letters}]*[{letters}][0-9{letters}]*(\\..*)?")

    def has_tail(name: str) -> bool:
        is_tail = "~" in name and tail.fullmatch(name.upper()) is not None
        return is_tail and _SHORT_NAME.fullmatch(name) is not None

    for entry, name in tree.named(has_tail):
        yield at_entry(entry, "the name's ~ tail has a letter", name, "digits alone after the ~")


def short_names_at_risk(tree: NameTree, _limit: Limit) -> Iterator[RuleHit]:
    """One hit for all names that are in 8.3 form already."""
    short = [name for name in tree.names if len(name) <= 12 and _SHORT_NAME.fullmatch(name)]
    if short:
        noun = count_text(len(short), "name")
        yield RuleHit(
            ROOT,
            f"{noun} in 8.3 form can get another short name, {short[0]} for one",
            str(len(short)),
        )


NAME_RULES = (
    Rule(
        "iso-name-form",
        Severity.ERROR,
        "iso_name_form",
        "Names in the ISO 9660 tree have the form that the system reads",
        in_tree(name_form, ISO),
        "build the disc with short names in its ISO 9660 tree: mediashelf build",
    ),
    Rule(
        "iso-name-length",
        Severity.ERROR,
        "iso_name_length",
        "Names in the ISO 9660 tree are short enough",
        in_tree(name_length, ISO),
        "shorten the name, or build the disc with a Joliet tree",
    ),
    Rule(
        "joliet-name-length",
        Severity.ERROR,
        "joliet_name_length",
        "Names in the Joliet tree are short enough",
        in_tree(name_length, JOLIET),
        "shorten the name, or reach the file by its short name",
    ),
    Rule(
        "name-length",
        Severity.ERROR,
        "name_length",
        "Names are within what the system reports as its longest",
        in_tree(name_length),
        "shorten the name and build the disc again",
    ),
    Rule(
        "device-name",
        Severity.ERROR,
        "reserved_names",
        "No entry has the name of a device",
        in_tree(reserved),
        "rename the entry and build the disc again",
    ),
    Rule(
        "device-name-with-extension",
        Severity.ERROR,
        "reserved_stems",
        "No entry has the name of a device before its first dot",
        in_tree(reserved_stem),
        "rename the entry and build the disc again",
    ),
    Rule(
        "tilde-tail",
        Severity.ERROR,
        "tilde_letters",
        "Names in 8.3 form have no letters in a ~ tail",
        in_tree(tilde_tail),
        "rename the entry, or install the service pack before this disc is used",
    ),
    Rule(
        "short-name-kept",
        Severity.WARNING,
        "short_name_fault",
        "Joliet names in 8.3 form keep their short names",
        in_tree(short_names_at_risk, JOLIET),
        "use long names in scripts, or install the service pack first",
    ),
)
