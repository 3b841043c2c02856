"""What the trees call their entries: identifiers, names, characters, order."""

from __future__ import annotations

import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import image_parts as parts
from byte_views import BytesView
from make_image import make_iso, put
from mediashelf.findings import Finding
from mediashelf.formats.disc import read_disc
from mediashelf.formats.iso.directories.record_columns import DirectoryRecord, RecordColumns
from mediashelf.formats.iso.identifiers import Iso9660Naming, order_key
from mediashelf.formats.iso.joliet import JolietNaming
from mediashelf.formats.iso.naming import REPLACEMENT, Directory, Named, Naming, log_duplicates
from mediashelf.formats.problem_log import ProblemLog

HERE = Directory("/HERE", "", b"HERE", 20, 2048, 20 * 2048, 0, 2)


def records(identifiers: list[bytes], flags: int = 0) -> RecordColumns:
    return RecordColumns.of(
        DirectoryRecord(40 * number, identifier, 100, 1, flags, parts.RECORD_DATE)
        for number, identifier in enumerate(identifiers)
    )


def named(naming: Naming, identifiers: list[bytes]) -> Named:
    return naming.name_all(HERE, b"", records(identifiers))


def judged(kind: type[Iso9660Naming] | type[JolietNaming], identifiers: list[bytes]) -> list[str]:
    log = ProblemLog()
    naming = kind(log)
    naming.judge(HERE, named(naming, identifiers))
    naming.finish()
    return [finding.rule for finding in log.findings()]


@pytest.mark.parametrize(
    ("identifier", "name"),
    [
        (b"README.TXT;1", "README.TXT"),
        (b"README.;1", "README"),
        (b"README", "README"),
        (b"README;1", "README"),
        (b"README.TXT;2", "README.TXT;2"),
        (b"README.TXT;12", "README.TXT;12"),
        (b"A..;1", "A."),
        (b"DIR.EXT", "DIR.EXT"),
        (b".E;1", ".E"),
        (b"CAF\xc9.;1", "CAFÉ"),
    ],
)
def test_iso_names(identifier: bytes, name: str) -> None:
    # ECMA-119 7.5.1: name, dot, extension, semicolon, version.
    naming = Iso9660Naming(ProblemLog())
    alone = named(naming, [identifier])
    among = named(naming, [b"AAA.;1", identifier, b"ZZZ.;1"])
    assert alone.names == [name]
    assert among.names == ["AAA", name, "ZZZ"]
    assert alone.identifiers == [identifier.decode("latin-1")]


@pytest.mark.parametrize(
    ("text", "name"),
    [
        ("Read me first.txt", "Read me first.txt"),
        ("Read me first.txt;1", "Read me first.txt"),
        ("archive.;1", "archive"),
        ("archive.", "archive."),
        ("潮汐表.txt", "潮汐表.txt"),
    ],
)
def test_joliet_names(text: str, name: str) -> None:
    naming = JolietNaming(ProblemLog())
    identifier = text.encode("utf-16-be")
    assert named(naming, [identifier]).names == [name]
    assert named(naming, ["a".encode("utf-16-be"), identifier]).names == ["a", name]


@settings(derandomize=True, deadline=None)
@given(st.lists(st.binary(min_size=1, max_size=20), max_size=12))
def test_naming_many_at_once_is_naming_one_by_one(identifiers: list[bytes]) -> None:
    for kind in (Iso9660Naming, JolietNaming):
        naming = kind(ProblemLog())
        together = named(naming, identifiers)
        alone = [named(naming, [identifier]) for identifier in identifiers]
        if kind is Iso9660Naming or all(len(identifier) % 2 == 0 for identifier in identifiers):
            assert together.names == [one.names[0] for one in alone]
            assert together.identifiers == [one.identifiers[0] for one in alone]
        assert len(together.names) == len(together.identifiers) == len(identifiers)
        assert not {"", ".", ".."} & set(together.names)
        assert not any("/" in name for name in together.names)


@pytest.mark.parametrize("identifier", [b"..", b".", b";1", b".;1", b"A/B.;1", b"../../X"])
def test_names_that_mean_other_places_are_replaced(identifier: bytes) -> None:
    # Own behaviour.
    log = ProblemLog()
    (name,) = named(Iso9660Naming(log), [identifier]).names
    assert REPLACEMENT in name
    assert [finding.rule for finding in log.findings()] == ["identifier-usable"]


def test_identifiers_are_judged_by_the_standard_characters() -> None:
    # ECMA-119 7.4.1.
    assert judged(Iso9660Naming, [b"A_1.TXT;1", b"B"]) == []
    for odd in (b"a.TXT;1", b"A-B.;1", b"A B.;1", b"A~1.;1", b"\xc4.;1"):
        assert judged(Iso9660Naming, [odd]) == ["identifier-characters"]


def test_joliet_forbids_what_its_specification_lists() -> None:
    # Joliet specification, "Allowed Character Set".
    forbidden = [*map(chr, range(0x20)), "*", ":", ";", "?", "\\"]
    for character in forbidden:
        assert judged(JolietNaming, [f"a{character}b".encode("utf-16-be")]) == [
            "joliet-characters"
        ], repr(character)
    assert judged(JolietNaming, ['a<b>c"d|e'.encode("utf-16-be")]) == []
    assert judged(JolietNaming, ["name.txt;1".encode("utf-16-be")]) == []


def test_higher_versions_come_first() -> None:
    # ECMA-119 9.3 as quoted in print: "AA.;2 before AA.;1".
    assert order_key(b"AA.;2") < order_key(b"AA.;1")
    assert judged(Iso9660Naming, [b"AA.;2", b"AA.;1"]) == []
    assert judged(Iso9660Naming, [b"AA.;1", b"AA.;2"]) == ["record-order"]
    assert judged(Iso9660Naming, [b"AA.;12", b"AA.;2"]) == []


def test_names_and_extensions_are_filled_with_spaces() -> None:
    # ECMA-119 9.3.
    assert judged(Iso9660Naming, [b"AB.C;1", b"AB1.;1"]) == []
    assert judged(Iso9660Naming, [b"AB;1", b"AB1;1"]) == []
    assert judged(Iso9660Naming, [b"AB1;1", b"AB;1"]) == ["record-order"]
    assert judged(Iso9660Naming, [b"A.B;1", b"A.BC;1", b"A.C;1", b"AA.A;1"]) == []
    assert judged(Iso9660Naming, [b"AB", b"AB.C;1", b"AC"]) == []


def test_a_shorter_extension_comes_first_whatever_the_version_looks_like() -> None:
    """ECMA-119 9.3 fills extensions with spaces; bytes alone would put the digit first."""
    assert b"README.1;1" < b"README.;1"
    assert judged(Iso9660Naming, [b"README.;1", b"README.1;1"]) == []
    assert judged(Iso9660Naming, [b"README.1;1", b"README.;1"]) == ["record-order"]
    assert judged(Iso9660Naming, [b"README.1;1", b"README.10;1", b"README.2;1"]) == []
    assert judged(Iso9660Naming, [b"README.10;1", b"README.1;1"]) == ["record-order"]
    assert judged(Iso9660Naming, [b"README", b"README.1;1", b"README1.;1"]) == []


def test_the_associated_file_comes_first() -> None:
    # ECMA-119 9.3: descending by the bit.
    assert order_key(b"AA.;1", 4) < order_key(b"AA.;1", 0)


def no_directory_is_called_like_a_file(identifiers: list[bytes]) -> bool:
    """9.3 says nothing of a record that has a version beside an equal one that has none."""
    directories = {order_key(one)[:2] for one in identifiers if b";" not in one}
    return directories.isdisjoint(order_key(one)[:2] for one in identifiers if b";" in one)


@settings(derandomize=True, deadline=None)
@given(
    st.lists(
        st.from_regex(rb"[A-Z0-9_]{1,8}(\.[A-Z0-9_]{0,3};[1-9])?", fullmatch=True)
        # Few letters and one version, so that names and extensions begin alike.
        | st.from_regex(rb"[A1]{1,2}(\.[A1]{0,2};1)?", fullmatch=True),
        unique=True,
        max_size=30,
    ).filter(no_directory_is_called_like_a_file),
    st.integers(0, 1000),
)
def test_any_sorted_directory_passes_and_a_shuffled_one_does_not(
    identifiers: list[bytes], seed: int
) -> None:
    # ECMA-119 9.3.
    in_order = sorted(identifiers, key=order_key)
    assert judged(Iso9660Naming, in_order) == []
    shuffled = random.Random(seed).sample(in_order, len(in_order))
    for order in (shuffled, sorted(identifiers)):
        keys = [order_key(identifier) for identifier in order]
        expected = [] if keys == sorted(keys) else ["record-order"]
        assert judged(Iso9660Naming, order) == expected


def test_joliet_accepts_the_order_of_bytes_and_that_of_the_standard() -> None:
    by_bytes = ["a b.txt", "a.txt"]
    by_standard = ["a.txt", "a b.txt"]
    for names in (by_bytes, by_standard):
        assert judged(JolietNaming, [name.encode("utf-16-be") for name in names]) == []
    assert judged(JolietNaming, [name.encode("utf-16-be") for name in ("b", "a")]) == [
        "record-order"
    ]


def distinct_findings(*pairs: tuple[bytes, int]) -> tuple[Finding, ...]:
    log = ProblemLog()
    made = RecordColumns.of(
        DirectoryRecord(40 * number, identifier, 100, 1, flags, parts.RECORD_DATE)
        for number, (identifier, flags) in enumerate(pairs)
    )
    log_duplicates(HERE, Iso9660Naming(log).name_all(HERE, b"", made), log)
    return log.findings()


def test_identifiers_must_be_distinct_but_for_sections_and_associated_files() -> None:
    # Own behaviour: readers show one of two equal names.
    assert distinct_findings((b"A.;1", 0), (b"B.;1", 0)) == ()
    assert distinct_findings((b"A.;1", 0x80), (b"A.;1", 0x80), (b"A.;1", 0)) == ()
    assert distinct_findings((b"A.;1", 4), (b"A.;1", 0)) == ()
    (finding,) = distinct_findings((b"A.;1", 0), (b"A.;1", 0))
    assert finding.rule == "identifiers-distinct"


@pytest.mark.parametrize("byte", [b"\x00", b"\x1f", b"\x7f"])
def test_control_characters_in_a_name_are_a_warning(byte: bytes) -> None:
    # ECMA-119 7.4.1: d-characters only; that other strange characters are a note, and
    # these a warning, is own behaviour: no system can name such a file.
    made = make_iso({"A.TXT": b"a", "B.TXT": b"b", "C.TXT": b"c"})
    data = put(put(made.data, made.record("/B.TXT") + 33, byte), made.record("/C.TXT") + 34, byte)
    found = [
        each for each in read_disc(BytesView(data)).findings if each.rule == "identifier-usable"
    ]
    assert [(each.offset, each.where) for each in found] == [(made.record("/B.TXT"), "/")]
    assert "2 names" in found[0].message


def test_other_strange_characters_are_not() -> None:
    # ECMA-119 7.4.1; a note.
    made = make_iso({"A.TXT": b"a"})
    for byte in (b" ", b"~", b"\x80"):
        data = put(made.data, made.record("/A.TXT") + 33, byte)
        assert {each.rule for each in read_disc(BytesView(data)).findings} == {
            "identifier-characters"
        }
