"""Catalogs of driver packages: DER that is read within bounds, and members with their digests.

There is no published text of the layout; the maker follows real catalogs. The vectors of DER
lengths and identifiers are computed by hand from the rules of ITU-T X.690 8.1 and 8.19.
"""

from __future__ import annotations

import hashlib
import random
import tracemalloc
from contextlib import suppress

import pytest

from make_catalog import SHA256, Member, der, make_catalog, oid
from mediashelf.errors import FormatError
from mediashelf.formats.packed import catalog_file
from mediashelf.formats.packed.catalog_file import (
    MOST_MEMBERS,
    CatalogMember,
    looks_like_catalog,
    parse_catalog,
)
from mediashelf.formats.packed.der import OCTET_STRING, SEQUENCE, DerReader
from mediashelf.formats.packed.signatures import HEAD_SIZE, ContentFormat, detect_format

SHA1_OF = hashlib.sha1(b"lkvx3").digest()
SHA256_OF = hashlib.sha256(b"lkvx3").digest()
CATALOG = make_catalog(
    [Member("lkvx3.inf", SHA1_OF), Member("lkvx3.sys", SHA1_OF, is_program=True)],
    extensions=[("HWID1", "pci\\ven_1d9a&dev_4c31")],
)


def test_maker_writes_what_the_rules_say() -> None:
    assert der(0x04, b"ab") == b"\x04\x02ab"
    assert der(0x04, bytes(200))[:3] == b"\x04\x81\xc8"
    assert der(0x04, bytes(300))[:4] == b"\x04\x82\x01\x2c"
    assert oid("1.2.840.113549.1.7.2") == bytes.fromhex("06092a864886f70d010702")
    assert oid(SHA256) == bytes.fromhex("0609608648016503040201")


def test_members_of_both_versions() -> None:
    assert parse_catalog(CATALOG).members == (
        CatalogMember("lkvx3.inf", "sha1", SHA1_OF.hex()),
        CatalogMember("lkvx3.sys", "sha1", SHA1_OF.hex()),
    )
    newer = make_catalog(
        [
            Member("lkvx3.inf", SHA256_OF, version=2),
            Member("lkvx3.sys", SHA1_OF, version=2, has_indirect_data=False),
            Member("", SHA256_OF, version=2),
        ]
    )
    assert parse_catalog(newer).members == (
        CatalogMember("lkvx3.inf", "sha256", SHA256_OF.hex()),
        CatalogMember("lkvx3.sys", "sha1", SHA1_OF.hex()),
        CatalogMember("", "sha256", SHA256_OF.hex()),
    )


def test_tag_of_digits_is_a_digest_where_nothing_else_is() -> None:
    catalog = make_catalog([Member("lkvx3.inf", SHA1_OF, has_indirect_data=False)])
    assert parse_catalog(catalog).members == (CatalogMember("lkvx3.inf", "sha1", SHA1_OF.hex()),)


def test_member_without_a_known_digest_is_counted() -> None:
    catalog = make_catalog([Member("lkvx3.inf", b"short", version=2, has_indirect_data=False)])
    assert (parse_catalog(catalog).members, parse_catalog(catalog).others) == ((), 1)


def test_empty_catalog() -> None:
    assert parse_catalog(make_catalog([])).members == ()


def test_catalog_is_told_by_its_first_bytes() -> None:
    assert detect_format(CATALOG[:HEAD_SIZE]) is ContentFormat.CATALOG
    assert looks_like_catalog(CATALOG[:320])
    # Another signed message, and a trust list that is not a catalog.
    for identifier in ("1.3.6.1.4.1.311.10.1", "1.3.6.1.4.1.311.12.1.1", "1.2.840.113549.1.7.2"):
        at = CATALOG.index(oid(identifier))
        other = CATALOG[: at + 4] + b"\x05" + CATALOG[at + 5 :]
        assert detect_format(other[:HEAD_SIZE]) is None


@pytest.mark.parametrize("size", range(0, len(CATALOG), 3))
def test_cut_catalog_is_refused(size: int) -> None:
    with pytest.raises(FormatError):
        parse_catalog(CATALOG[:size])


@pytest.mark.parametrize(
    ("data", "field"),
    [
        (b"", "element"),
        (b"\x30", "element"),
        (b"\x3f\x01\x00", "tag"),
        (b"\x30\x80\x00\x00", "length of length"),  # indefinite: BER, not DER
        (b"\x30\x85\x00\x00\x00\x00\x01\x00", "length of length"),
        (b"\x30\x82\x01", "length of length"),
        (b"\x30\x03\x00\x00", "length of element"),
    ],
)
def test_what_is_not_der(data: bytes, field: str) -> None:
    with pytest.raises(FormatError) as caught:
        DerReader(data, most_elements=10).element()
    assert caught.value.field == field


def test_element_does_not_reach_beyond_its_parent() -> None:
    reader = DerReader(b"\x30\x03\x04\x02a\x00\x00", most_elements=10)
    with pytest.raises(FormatError, match="length of element"):
        list(reader.inside(reader.element()))


def test_elements_are_counted() -> None:
    reader = DerReader(der(SEQUENCE, der(OCTET_STRING) * 100), most_elements=50)
    with pytest.raises(FormatError, match="count of elements"):
        list(reader.inside(reader.element()))


def test_members_are_counted(monkeypatch: pytest.MonkeyPatch) -> None:
    member = Member("lkvx3.inf", SHA1_OF, version=2, has_indirect_data=False)
    monkeypatch.setattr(catalog_file, "MOST_MEMBERS", 50)
    assert len(parse_catalog(make_catalog([member] * 50)).members) == 50
    with pytest.raises(FormatError, match="count of members is 'more than 50'"):
        parse_catalog(make_catalog([member] * 51))


def test_memory_for_members_is_bounded() -> None:
    """In bytes a member: to trace all that a catalog may have takes ten times longer."""
    member = Member("lkvx3.inf", SHA1_OF, version=2, has_indirect_data=False)
    for count in (MOST_MEMBERS // 32, MOST_MEMBERS // 16):
        data = make_catalog([member] * count)
        parse_catalog(data)  # what is made once, whatever is parsed, does not count
        tracemalloc.start()
        parse_catalog(data)
        peak = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        assert peak < count * (20 << 20) // MOST_MEMBERS


def test_flood_of_elements_costs_no_memory() -> None:
    """A member with very many attributes, and what may follow in it and in the message."""
    flood = der(0x05) * 400_000
    for hostile in (
        der(0x30, oid("1.2.840.113549.1.7.2"), der(0xA0, flood), flood),
        der(0x30, oid("1.2.840.113549.1.7.2"), der(0xA0, der(0x30, flood))),
        CATALOG[:-1] + flood,
        make_catalog([Member("x", SHA1_OF), Member("y" * 400_000, SHA1_OF)]),
    ):
        tracemalloc.start()
        with suppress(FormatError):
            parse_catalog(hostile)
        peak = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        assert peak < 8 << 20


def test_mutated_catalogs_are_read_or_refused() -> None:
    source = random.Random(311)
    outcomes = {True: 0, False: 0}
    for _ in range(2000):
        data = bytearray(CATALOG)
        for _ in range(source.randrange(1, 4)):
            data[source.randrange(len(data))] = source.randrange(256)
        try:
            parse_catalog(bytes(data))
        except FormatError:
            outcomes[False] += 1
        else:
            outcomes[True] += 1
    assert min(outcomes.values()) > 100
