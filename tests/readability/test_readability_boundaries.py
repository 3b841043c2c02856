"""Where a rule's words and counts change: own behaviour, except where a source is named."""

from __future__ import annotations

import pytest

from disc_facts import boot, disc, udf
from golden_rules import iso, joliet
from mediashelf.findings import Finding
from mediashelf.formats.volume import DiscFacts, Entry, Extent, VolumeFacts, VolumeKind
from mediashelf.readability.check import check_disc
from mediashelf.readability.rules.letters import character_names
from mediashelf.readability.targets import load_targets
from mediashelf.text import same_case

TARGETS = load_targets()


def finding(facts: DiscFacts, target: str, rule: str) -> Finding:
    [found] = [one for one in check_disc(facts, TARGETS[target]) if one.rule == rule]
    return found


@pytest.mark.parametrize(
    ("letters", "text"),
    [
        ("a", '"a"'),
        ("abcd", '"a", "b", "c", "d"'),
        ("abcdabcd", '"a", "b", "c", "d"'),
        ("abcde", '"a", "b", "c", "d" and 1 more'),
        ("abcdefg", '"a", "b", "c", "d" and 3 more'),
        (' "\x01', "a space, '\"', U+0001"),
    ],
)
def test_four_characters_are_named_and_the_others_counted(letters: str, text: str) -> None:
    assert character_names(letters) == text


@pytest.mark.parametrize(("name", "verb"), [("a;b;c.txt", "is"), ("a;b?c.txt", "are")])
def test_one_character_is_and_several_are(name: str, verb: str) -> None:
    found = finding(joliet(name), "nt5", "joliet-name-characters")
    assert found.message.endswith(f"{verb} forbidden in names")


@pytest.mark.parametrize(
    ("path", "count"), [("A.TXT", 0), ("A", 0), ("A.B.TXT", 1), ("D/", 0), ("D.X/", 1), (".X/", 1)]
)
def test_one_dot_of_a_file_is_allowed(path: str, count: int) -> None:
    """ECMA-119 7.5 and 7.6: a file identifier has one dot, a directory identifier none."""
    found = [one.rule for one in check_disc(iso(path), TARGETS["dos"])]
    assert found.count("iso-name-characters") == count


@pytest.mark.parametrize(("name", "words"), [("é é", "is … it"), ("é ê", "are … them")])
def test_letters_of_code_pages_agree_in_number(name: str, words: str) -> None:
    verb, them = words.split(" … ")
    found = finding(joliet(name), "win9x", "plain-names")
    assert found.message.endswith(f"{verb} readable only if the system's code page has {them}")


@pytest.mark.parametrize(
    ("name", "form"),
    [
        ("readme.txt", "README.TXT"),
        ("Stra\u00dfe", "STRA\u00dfE"),  # Unicode: upper() gives SS, which is two letters
        ("\ufb01le", "\ufb01LE"),
        ("\u00e9t\u00e9", "\u00c9T\u00c9"),
    ],
)
def test_letters_are_mapped_one_to_one(name: str, form: str) -> None:
    assert same_case(name) == form


@pytest.mark.parametrize(("count", "words"), [(1, "1 error"), (2, "2 errors"), (3, "3 errors")])
def test_errors_of_the_first_phase_are_counted(count: int, words: str) -> None:
    names = {f"LONG_NAME{number}.TEXT": 1 for number in range(count)}
    facts = disc(iso=names, joliet={"A.TXT": 1}, boot=boot(2))
    found = finding(facts, "win9x", "first-phase-reads")
    assert f"setup begins as dos, which finds {words} on this disc" in found.message
    assert found.found == str(count)


@pytest.mark.parametrize("length", [66, 67])
def test_a_path_of_the_longest_length_is_read(length: int) -> None:
    """Microsoft KB Q154059: 66 characters with drive and colon."""
    name = "A" * (length - len("D:\\"))
    found = [one for one in check_disc(iso(name), TARGETS["dos"]) if one.rule == "path-length"]
    assert len(found) == (length > 66)


@pytest.mark.parametrize(("size", "count"), [(10_000, 0), (10_002, 1)])
def test_a_tree_that_holds_half_of_the_disc_accounts_for_it(size: int, count: int) -> None:
    """Common practice: the limit is 50 per cent."""
    facts = disc(iso={"A.TXT": 5000}, others=[udf()], size=size)
    rules = [one.rule for one in check_disc(facts, TARGETS["dos"])]
    assert rules.count("tree-accounts-for-disc") == count


def test_equal_files_of_several_long_names_are_told_one_by_one() -> None:
    """Own behaviour: which of the short names is whose cannot be known, so each is named."""
    content = (Extent(200, 5000),)

    def tree(kind: VolumeKind, *names: str) -> VolumeFacts:
        made = tuple(Entry(f"/{name}", name, 5000, False, content) for name in names)
        return VolumeFacts(kind, "DISC", made)

    facts = DiscFacts(
        10_000_000,
        (
            tree(VolumeKind.ISO9660, "SAME.INF", "LARKSP~1.INF", "LARKSP~2.INF"),
            tree(VolumeKind.JOLIET, "same.inf", "Larkspur one.inf", "Larkspur two.inf"),
        ),
    )
    found = [one for one in check_disc(facts, TARGETS["dos"]) if one.rule == "long-name-seen"]
    assert [one.expected for one in found] == ["Larkspur one.inf", "Larkspur two.inf"]
    assert {one.message for one in found} == {"the file is seen under a short name only"}
