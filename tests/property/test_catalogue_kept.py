"""What the catalogue keeps comes back equal, whatever names hostile discs have."""

from __future__ import annotations

import json
import sqlite3
import zlib

from hypothesis import given, settings
from hypothesis import strategies as st

from mediashelf.catalogue.facts import pack_facts, unpack_facts
from mediashelf.catalogue.listing import MARK_DIRECTORY, MARK_OF_KIND, list_entries
from mediashelf.catalogue.rows import keep_path, keep_text, kept_path, kept_text
from mediashelf.formats.volume import (
    BootEntry,
    BootFacts,
    DiscFacts,
    Entry,
    Extent,
    VolumeFacts,
    VolumeKind,
)
from mediashelf.text import fold

# Lone surrogates and NUL too: Joliet names are any 16-bit units.
ANY_TEXT = st.text(st.characters(), max_size=12)
NUMBERS = st.integers(0, 1 << 40)
EXTENTS = st.lists(st.builds(Extent, NUMBERS, NUMBERS), max_size=3).map(tuple)
NAMES = st.sampled_from(["A", "a", "B.TXT", "b.txt", "Ärger", "long name", "\udc80", "x\0y"])
PATHS = st.lists(NAMES, min_size=1, max_size=4).map(lambda parts: "/" + "/".join(parts))
ENTRIES = st.builds(
    Entry,
    st.one_of(PATHS, ANY_TEXT.map(lambda text: "/" + text)),
    ANY_TEXT,
    NUMBERS,
    st.booleans(),
    EXTENTS,
    st.binary(max_size=7),
    st.integers(0, 255),
    st.integers(-1, 1 << 40),
)
VOLUME_FIELDS = {
    "kind": st.sampled_from(VolumeKind),
    "label": ANY_TEXT,
    "entries": st.lists(ENTRIES, max_size=6).map(tuple),
    "block_size": st.sampled_from([512, 1024, 2048]),
    "block_count": NUMBERS,
    "detail": ANY_TEXT,
    "joliet_level": st.none() | st.integers(1, 3),
    "is_enhanced": st.booleans(),
    "entries_read": st.booleans(),
    "is_complete": st.booleans(),
    "created": ANY_TEXT,
    "modified": ANY_TEXT,
    "identifiers": st.dictionaries(ANY_TEXT, ANY_TEXT, max_size=3),
    "udf_revision": st.none() | st.integers(0, 0x250),
    "effective": ANY_TEXT,
    "set_number": st.integers(0, 0xFFFF),
    "set_size": st.integers(0, 0xFFFF),
}
VOLUMES = st.builds(VolumeFacts, **VOLUME_FIELDS)
BOOTS = st.builds(
    BootFacts,
    NUMBERS,
    ANY_TEXT,
    st.booleans(),
    st.lists(st.builds(BootEntry, *[NUMBERS, st.booleans(), *[NUMBERS] * 7]), max_size=2).map(
        tuple
    ),
)
FACTS = st.builds(
    DiscFacts,
    size=NUMBERS,
    volumes=st.lists(VOLUMES, max_size=3).map(tuple),
    boot=st.none() | BOOTS,
    looks_raw=st.booleans(),
    partition_table=st.sampled_from(["", "MBR", "GPT"]),
)


@settings(derandomize=True, deadline=None)
@given(FACTS)
def test_facts_come_back_equal(facts: DiscFacts) -> None:
    packed = pack_facts(facts)
    assert unpack_facts(packed) == facts
    text = zlib.decompress(packed)
    assert text == json.dumps(json.loads(text), separators=(",", ":")).encode("ascii")


def test_every_field_takes_part_in_that() -> None:
    assert set(VolumeFacts.__struct_fields__) == VOLUME_FIELDS.keys()


@settings(derandomize=True, deadline=None)
@given(ANY_TEXT)
def test_text_comes_back_equal_through_the_database(text: str) -> None:
    db = sqlite3.connect(":memory:")
    kept = db.execute("SELECT ?", [keep_text(text)]).fetchone()[0]
    assert kept_text(kept) == text
    db.execute("SELECT ?", [fold(text)])  # folded text is always storable as text
    db.close()


@settings(derandomize=True, deadline=None)
@given(st.binary(max_size=20).filter(lambda data: b"\0" not in data))
def test_any_name_of_a_file_comes_back_equal(data: bytes) -> None:
    assert keep_path(kept_path(data)) == data


@settings(derandomize=True, deadline=None)
@given(ANY_TEXT)
def test_folding_twice_is_folding_once(text: str) -> None:
    assert fold(fold(text)) == fold(text)


@settings(derandomize=True, deadline=None)
@given(st.lists(VOLUMES, max_size=3).map(tuple))
def test_every_entry_is_listed_under_its_path(volumes: tuple[VolumeFacts, ...]) -> None:
    listing = list_entries(DiscFacts(0, volumes))
    listed = {
        (f"{entry.folder}/{entry.name}".casefold(), bool(entry.marks & MARK_DIRECTORY))
        for entry in listing
    }
    for volume in volumes:
        for entry in volume.entries:
            assert (entry.path.casefold(), entry.is_directory) in listed


def test_twins_are_listed_once_and_clashes_twice() -> None:
    short = (
        Entry("/VIDEO", "VIDEO", 2048, True),
        Entry("/VIDEO/LKVX3.VXD", "LKVX3.VXD", 10, False),
        Entry("/VIDEO/LARKSP~1.TXT", "LARKSP~1.TXT", 20, False),
        Entry("/DOUBLE.TXT", "DOUBLE.TXT", 5, False),
        Entry("/DOUBLE.TXT", "DOUBLE.TXT", 5, False),
    )
    long = (
        Entry("/Video", "Video", 4096, True),
        Entry("/Video/lkvx3.vxd", "lkvx3.vxd", 10, False),
        Entry("/Video/Larkspur read me.txt", "Larkspur read me.txt", 20, False),
    )
    facts = DiscFacts(
        0,
        (VolumeFacts(VolumeKind.ISO9660, "T", short), VolumeFacts(VolumeKind.JOLIET, "T", long)),
    )
    both = MARK_OF_KIND[VolumeKind.ISO9660] | MARK_OF_KIND[VolumeKind.JOLIET]
    assert [(entry.folder, entry.name, entry.marks) for entry in list_entries(facts)] == [
        ("", "Video", both | MARK_DIRECTORY),
        ("/Video", "lkvx3.vxd", both),
        ("/VIDEO", "LARKSP~1.TXT", MARK_OF_KIND[VolumeKind.ISO9660]),
        ("", "DOUBLE.TXT", MARK_OF_KIND[VolumeKind.ISO9660]),
        ("", "DOUBLE.TXT", MARK_OF_KIND[VolumeKind.ISO9660]),
        ("/Video", "Larkspur read me.txt", MARK_OF_KIND[VolumeKind.JOLIET]),
    ]
