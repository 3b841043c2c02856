"""Rules about the characters of names."""

from __future__ import annotations

import re
from collections.abc import Callable, Collection, Iterable, Iterator

from mediashelf.findings import Severity
from mediashelf.formats.volume import Entry, VolumeKind
from mediashelf.readability.limits import Limit
from mediashelf.readability.name_tree import NameTree
from mediashelf.readability.rule_types import Rule, RuleHit, at_entry, in_tree
from mediashelf.text import first_text

_NAMED_CHARACTERS = 4
_NOT_SURE = "outside the set that is sure to be read"

ISO, JOLIET = VolumeKind.ISO9660, VolumeKind.JOLIET


def only_characters(tree: NameTree, limit: Limit) -> Iterator[RuleHit]:
    """Names with characters that the limit does not list; one dot of a file does not count."""
    strange = tree.alphabet - set(limit.text())
    if strange == {"."}:  # nearly always
        is_other = any(re.search(r"\.[^./]*\.", text) for text in tree.texts)
        if not is_other and not any("." in name for name in tree.directory_names):
            return
        for entry, name in tree.named(lambda name: "." in name):
            if name.count(".") > (0 if entry[3] else 1):
                yield _characters(entry, ["."], _NOT_SURE)
        return
    for entry, found in _with_any(tree, strange):
        if not entry.is_directory and "." in found:
            found.remove(".")
        if found:
            yield _characters(entry, found, _NOT_SURE)


def no_characters(tree: NameTree, limit: Limit) -> Iterator[RuleHit]:
    """Names with characters that the limit lists."""
    for entry, found in _with_any(tree, tree.alphabet & set(limit.text())):
        yield _characters(entry, found, "forbidden in names")


def no_end(tree: NameTree, limit: Limit) -> Iterator[RuleHit]:
    """Names that end with a character of the limit."""
    if not any(f"{letter}/" in text for text in tree.texts for letter in limit.text()):
        return
    for entry, name in _when(tree, str.endswith, limit):
        yield _character(entry, name[-1], "ends the name, and is cut off when it is opened")


def no_beginning(tree: NameTree, limit: Limit) -> Iterator[RuleHit]:
    """Names that begin with a character of the limit."""
    if not any(f"/{letter}" in text for text in tree.texts for letter in limit.text()):
        return
    for entry, name in _when(tree, str.startswith, limit):
        yield _character(entry, name[0], "begins the name")


def capitals(tree: NameTree, _limit: Limit) -> Iterator[RuleHit]:
    """Names that are not all in capitals."""
    small = {letter for letter in tree.alphabet if letter != letter.upper()}
    for entry, _ in _with_any(tree, small):
        yield at_entry(entry, "the name has small letters", entry.name, entry.name.upper())


def plain(tree: NameTree, _limit: Limit) -> Iterator[RuleHit]:
    """Names with letters outside ASCII."""
    foreign = {letter for letter in tree.alphabet if not letter.isascii()}
    for entry, found in _with_any(tree, foreign):
        them = "it" if len(set(found)) == 1 else "them"
        what = f"readable only if the system's code page has {them}"
        yield _characters(entry, found, what)


def one_unit(tree: NameTree, _limit: Limit) -> Iterator[RuleHit]:
    """Names with characters outside the Basic Multilingual Plane."""
    wide = {letter for letter in tree.alphabet if letter > "\uffff"}
    for entry, found in _with_any(tree, wide):
        yield _characters(entry, found, "not one unit of UCS-2")


def units(text: str) -> int:
    """Return the length of ``text`` in 16-bit units."""
    return len(text) if text.isascii() else len(text) + sum(letter > "\uffff" for letter in text)


def _with_any(tree: NameTree, letters: Collection[str]) -> Iterator[tuple[Entry, list[str]]]:
    """Yield entries whose names have some of ``letters``, with those they have."""
    if letters:
        pattern = re.compile("[" + "".join(re.escape(letter) for letter in letters) + "]")
        for entry, name in tree.named(lambda name: pattern.search(name) is not None):
            yield entry, pattern.findall(name)


def _when(
    tree: NameTree, test: Callable[[str, tuple[str, ...]], bool], limit: Limit
) -> Iterator[tuple[Entry, str]]:
    letters = tuple(limit.text())
    return tree.named(lambda name: test(name, letters))


def _characters(entry: Entry, found: list[str], what: str) -> RuleHit:
    """Return a hit that says what the characters, one or several, are."""
    verb = "is" if len(set(found)) == 1 else "are"
    each = character_names(found)
    return at_entry(entry, f"{each} {verb} {what}", each)


def _character(entry: Entry, letter: str, what: str) -> RuleHit:
    each = character_names(letter)
    return at_entry(entry, f"{each} {what}", each)


def character_names(letters: Iterable[str]) -> str:
    """Return characters as a person can read them, each once, and no more than a few."""
    names = [_character_name(letter) for letter in dict.fromkeys(letters)]
    return first_text(names, _NAMED_CHARACTERS)


def _character_name(letter: str) -> str:
    """Return a character as a person can read it: itself in quotes, or its code point."""
    if letter == " ":
        return "a space"
    if letter.isprintable():
        return f'"{letter}"' if letter != '"' else "'\"'"
    return f"U+{ord(letter):04X}"


LETTER_RULES = (
    Rule(
        "iso-name-characters",
        Severity.ERROR,
        "iso_name_characters",
        "Names in the ISO 9660 tree have only characters that every reader takes",
        in_tree(only_characters, ISO),
        "keep to capitals, digits and _ if the file can't be opened",
    ),
    Rule(
        "iso-capitals",
        Severity.ERROR,
        "iso_capitals",
        "Names in the ISO 9660 tree are in capitals",
        in_tree(capitals, ISO),
        "build the disc again: mediashelf build writes capitals there",
    ),
    Rule(
        "joliet-name-characters",
        Severity.ERROR,
        "joliet_forbidden",
        "Names in the Joliet tree have no character that Joliet forbids",
        in_tree(no_characters, JOLIET),
        "rename the entry and build the disc again",
    ),
    Rule(
        "one-unit-characters",
        Severity.WARNING,
        "ucs2",
        "Every character of a name fits one unit of UCS-2",
        in_tree(one_unit, JOLIET),
        "rename the entry; the system shows two unknown characters in place of each",
    ),
    Rule(
        "name-characters",
        Severity.ERROR,
        "forbidden_characters",
        "Names have no character that keeps them from being opened",
        in_tree(no_characters),
        "rename the entry and build the disc again",
    ),
    Rule(
        "name-ending",
        Severity.ERROR,
        "forbidden_endings",
        "Names do not end with a character that is cut off",
        in_tree(no_end),
        "rename the entry and build the disc again",
    ),
    Rule(
        "name-beginning",
        Severity.ERROR,
        "forbidden_beginnings",
        "Names do not begin with a character that hides them",
        in_tree(no_beginning),
        "rename the entry, or load a newer redirector",
    ),
    Rule(
        "plain-names",
        Severity.WARNING,
        "plain_names",
        "Names are plain ASCII",
        in_tree(plain),
        "use plain letters where the system's language is not known",
    ),
)
