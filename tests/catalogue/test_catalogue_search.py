"""Finding files inside images: against a plain search of all names, and fast."""

from __future__ import annotations

import fnmatch
import random
import time
from collections import Counter
from collections.abc import Iterator, Sequence
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from made_library import Library, open_library, tide_image, write
from make_image import make_iso
from mediashelf.catalogue.records.listed_entries import ListedEntries, ListedEntry
from mediashelf.catalogue.scanning.record import record_new
from mediashelf.catalogue.scanning.values import Reading
from mediashelf.catalogue.scanning.walk import RecordPlace
from mediashelf.catalogue.schema import transaction
from mediashelf.catalogue.search import SearchAnswer
from mediashelf.catalogue.store import Catalogue, open_catalogue
from mediashelf.integrity.fixity.digests import Digests
from mediashelf.text import fold

NAMES = [
    "LKVX3.VXD",
    "lkvx.inf",
    "Display Driver Setup.exe",
    "display.dll",
    "driver.dll",
    "Größe.txt",
    "GRÖSSE.TXT",
    "Gro\u0308sse.txt",  # as another system writes it, with a combining mark
    "ПРИЛИВ.TXT",
    "潮汐.txt",
    "100%_sure.txt",
    "a'b\"c.txt",
    "[x].txt",
    "x.txt",
    "zq",
    "z.q",
    "AND",
    "NEAR OR NOT",
    "lone \udc80 surrogate",
    "null\0inside",
    "many many words in one name.txt",
]


def record_listing(catalogue: Catalogue, path: str, listing: Sequence[ListedEntry]) -> None:
    reading = Reading(
        1, 1, digests=Digests(1, {"xxh3_128": path}), listing=ListedEntries.of(listing)
    )
    with transaction(catalogue.db):
        record_new(catalogue.db, RecordPlace(1, path, "device 1"), reading, "2026-01-01T00:00:00Z")


@pytest.fixture(scope="module")
def catalogue(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Catalogue]:
    """One image: every name in a folder /DRIVERS/VIDEO, and again in /OTHER."""
    folder = tmp_path_factory.mktemp("search")
    with open_library(folder) as library:
        listing = [
            ListedEntry("", "DRIVERS", 0, 3),
            ListedEntry("/DRIVERS", "Video", 0, 3),
            ListedEntry("", "OTHER", 0, 3),
            *(ListedEntry("/DRIVERS/Video", name, 7, 2) for name in NAMES),
            *(ListedEntry("/OTHER", name, 7, 2) for name in NAMES),
        ]
        record_listing(library.catalogue, "a.iso", listing)
        yield library.catalogue


def names(found: SearchAnswer) -> set[str]:
    return {hit.path.rpartition("/")[2] for hit in found.hits}


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("lkvx", {"LKVX3.VXD", "lkvx.inf"}),
        ("VX3", {"LKVX3.VXD"}),
        ("display driver", {"Display Driver Setup.exe"}),
        ("driver display", {"Display Driver Setup.exe"}),
        ("dis dll", {"display.dll"}),
        ("größe", {"Größe.txt", "GRÖSSE.TXT", "Gro\u0308sse.txt"}),
        ("GRO\u0308SSE.", {"Größe.txt", "GRÖSSE.TXT", "Gro\u0308sse.txt"}),
        ("прилив", {"ПРИЛИВ.TXT"}),
        ("潮", {"潮汐.txt"}),
        ("潮汐", {"潮汐.txt"}),
        ("潮汐.t", {"潮汐.txt"}),
        ("zq", {"zq"}),
        ("z q", {"zq", "z.q"}),
        ("%", {"100%_sure.txt"}),
        ("_sure", {"100%_sure.txt"}),
        ('b"c', {"a'b\"c.txt"}),
        ("a'b", {"a'b\"c.txt"}),
        ("[x", {"[x].txt"}),
        ("[x]*", {"[x].txt"}),
        ("AND", {"AND"}),
        ("near or", {"NEAR OR NOT"}),
        ("lone", {"lone \udc80 surrogate"}),
        ("*.inf", {"lkvx.inf"}),
        ("lk*.???", {"LKVX3.VXD", "lkvx.inf"}),
        ("?.txt", {"x.txt"}),
        ("x.t*", {"x.txt"}),
        ("z?q", {"z.q"}),
        ("*vx", set()),
        ("*vx*", {"LKVX3.VXD", "lkvx.inf"}),
        ("nowhere", set()),
        ("", set()),
        ("   ", set()),
        ("/", set()),
        ("inside", {"null\0inside"}),
    ],
)
def test_words_and_patterns(catalogue: Catalogue, text: str, expected: set[str]) -> None:
    found = catalogue.find(text)
    assert names(found) - {"DRIVERS", "Video", "OTHER"} == expected
    if expected:
        assert {hit.path.rpartition("/")[0] for hit in found.hits} == {"/DRIVERS/Video", "/OTHER"}


@pytest.mark.parametrize(
    "text", ["video/lkvx3", "VIDEO/lk*", "drivers/video/lkvx3", "vid/x3", "\\video\\vx3"]
)
def test_the_folder_counts_where_it_is_given(catalogue: Catalogue, text: str) -> None:
    assert "/DRIVERS/Video/LKVX3.VXD" in {hit.path for hit in catalogue.find(text).hits}
    assert "/OTHER/LKVX3.VXD" not in {hit.path for hit in catalogue.find(text).hits}


def test_folders_are_found_too(catalogue: Catalogue) -> None:
    (hit,) = catalogue.find("video").hits
    assert (hit.path, hit.is_directory) == ("/DRIVERS/Video", True)


def test_equal_names_come_first_then_beginnings(catalogue: Catalogue) -> None:
    order = [hit.path.rpartition("/")[2] for hit in catalogue.find("x.txt").hits]
    assert order == ["x.txt", "x.txt"]
    order = [hit.path.rpartition("/")[2] for hit in catalogue.find("driver").hits]
    assert order[:3] == ["driver.dll", "driver.dll", "DRIVERS"]


def test_the_limit_and_how_many_more(catalogue: Catalogue) -> None:
    everything = catalogue.find("txt", limit=100)
    assert (everything.more, everything.more_is_exact) == (0, True)
    few = catalogue.find("txt", limit=3)
    assert few.hits == everything.hits[:3]
    assert few.more == len(everything.hits) - 3


def test_text_beyond_reason_is_no_error(catalogue: Catalogue) -> None:
    for text in ("x" * 100_000, "abc " * 5000, "* " * 3000, "?" * 2000, "*a" * 400, '"' * 999):
        catalogue.find(text)


@settings(derandomize=True, deadline=None, max_examples=300)
@given(st.text(st.characters() | st.sampled_from("*?/\\\"'[]%_ aelxdrv.\0\udc80"), max_size=12))
def test_no_text_is_a_syntax_error_and_the_answer_is_that_of_a_plain_search(
    catalogue: Catalogue, text: str
) -> None:
    found = names(catalogue.find(text, limit=1000))
    words = fold(text).split()
    if "/" in text or "\\" in text or not words:
        return
    expected = {
        name
        for name in [*NAMES, "DRIVERS", "Video", "OTHER"]
        if all(
            fnmatch.fnmatchcase(fold(name), word.replace("[", "[[]"))
            if "*" in word or "?" in word
            else word in fold(name)
            for word in words
        )
    }
    assert found == expected


def test_a_shelf_can_be_named(tmp_path: Path) -> None:
    with open_library(tmp_path) as library:
        card = library.add_shelf("card")
        write(card / "a.iso", tide_image(1))
        write(library.root / "b.iso", tide_image(2))
        library.scan()
        assert {hit.image.shelf for hit in library.catalogue.find("lkvx3").hits} == {"card", "home"}
        for text in ("lkvx3", "lk*", "k", "lkvx3.vxd"):
            hits = library.catalogue.find(text, shelf="card").hits
            assert {hit.image.shelf for hit in hits} == {"card"}


def test_files_of_images_that_are_away_are_found(library: Library) -> None:
    write(library.root / "a.iso", tide_image())
    library.scan()
    library.root.rename(library.root.parent / "unplugged")
    library.scan()
    hits = library.catalogue.find("lkvx3").hits
    assert {(hit.image.state, hit.path) for hit in hits} == {("away", "/DRIVERS/VIDEO/LKVX3.VXD")}


def test_a_large_catalogue_answers_at_once(tmp_path: Path) -> None:
    """30,000 entries; a search that read them all in Python would take many times the bound."""
    dice = random.Random(7)
    syllables = ["lar", "vid", "dri", "set", "net", "aud", "moss", "fer", "tern", "qui", "x", "3"]
    with open_library(tmp_path) as library:
        for image in range(6):
            listing = tuple(
                ListedEntry("", "".join(dice.choices(syllables, k=5)) + f"{n}.sys", 1, 2)
                for n in range(5000)
            )
            record_listing(library.catalogue, f"{image}.iso", listing)
    with open_catalogue(tmp_path / "catalogue.sqlite") as catalogue:
        for text in ("mossfer", "sys", "*.sys", "lar quitern", "nothing at all", "zz", "x"):
            best = min(_seconds(catalogue, text) for _ in range(3))
            assert best < 0.1, (text, best)


def _seconds(catalogue: Catalogue, text: str) -> float:
    started = time.perf_counter()
    catalogue.find(text)
    return time.perf_counter() - started


LONG_NAMES = {
    "LARKSPUR": "Larkspur Video",
    "LARKSPUR/LARKSP01.VXD": "Larkspur display.vxd",
    "LARKSPUR/LARKSP02.VXD": "Larkspur display two.vxd",
    "LARKSPUR/EMPTYTXT.TXT": "empty text.txt",
    "LARKSPUR/DEEP": "a deeper folder",
    "LARKSPUR/DEEP/SOUNDDRV.SYS": "sound driver.sys",
}
TWINS = make_iso(
    {
        "LARKSPUR/LARKSP01.VXD": b"one driver",
        "LARKSPUR/LARKSP02.VXD": b"two driver",
        "LARKSPUR/EMPTYTXT.TXT": b"",
        "LARKSPUR/DEEP/SOUNDDRV.SYS": b"sound",
        "SAME.TXT": b"same",
    },
    joliet=3,
    long_names=LONG_NAMES,
)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("vxd", {("/LARKSPUR/LARKSP01.VXD", 1), ("/LARKSPUR/LARKSP02.VXD", 1)}),
        ("larksp01", {("/LARKSPUR/LARKSP01.VXD", 1)}),
        ("display", {("", 2)}),
        ("same", {("", 1)}),
        ("emptytxt", {("/LARKSPUR/EMPTYTXT.TXT", 1)}),
        ("larkspur", {("/LARKSPUR", 1), ("", 2)}),
        ("deep", {("/LARKSPUR/DEEP", 1)}),
        ("sounddrv.sys", {("/LARKSPUR/DEEP/SOUNDDRV.SYS", 1)}),
        (
            "larkspur/*",
            {
                ("/LARKSPUR/DEEP", 1),
                ("/LARKSPUR/EMPTYTXT.TXT", 1),
                ("/LARKSPUR/LARKSP01.VXD", 1),
                ("/LARKSPUR/LARKSP02.VXD", 1),
                ("/LARKSPUR/DEEP/SOUNDDRV.SYS", 1),
            },
        ),
    ],
)
def test_a_file_with_two_names_is_one_hit_under_the_longer(
    library: Library, text: str, expected: set[tuple[str, int]]
) -> None:
    write(library.root / "d.iso", TWINS.data)
    library.scan()
    hits = library.catalogue.find(text).hits
    assert Counter(hit.other_path for hit in hits) == dict(expected)
    for hit in hits:
        assert hit.path == _long_path(hit.other_path) or not hit.other_path
    (row,) = library.catalogue.images()
    assert row.entry_count == 7  # each file and folder once


def _long_path(path: str) -> str:
    parts = path.strip("/").split("/")
    return "".join(
        "/" + LONG_NAMES.get("/".join(parts[: number + 1]), part)
        for number, part in enumerate(parts)
    )


def test_the_limit_counts_files_and_not_their_names(library: Library) -> None:
    write(library.root / "d.iso", TWINS.data)
    library.scan()
    found = library.catalogue.find("vxd", limit=1)
    assert (len(found.hits), found.more) == (1, 1)


def test_what_was_recorded_before_names_were_paired_is_still_found(library: Library) -> None:
    write(library.root / "d.iso", TWINS.data)
    library.scan()
    library.catalogue.db.execute("UPDATE entries SET twin = NULL")
    assert len(library.catalogue.find("vxd").hits) == 4
    library.catalogue.db.execute("UPDATE entries SET twin = 999 WHERE marks & 2")
    assert library.catalogue.find("vxd").hits  # a number that leads nowhere is no crash
