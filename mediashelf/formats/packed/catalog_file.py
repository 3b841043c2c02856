"""Catalogs (.cat) of driver packages: which file should have which digest.

A catalog is a signed message (PKCS #7) around a list of members. The layout is that of
the constants in the system's headers (mscat.h, wintrust.h), and was seen so in 14
catalogs of drivers with 99 members, all of which are files of their folder; there is no
published text of it. The signature is not verified here, nor anywhere in this program.
"""

from __future__ import annotations

from msgspec import Struct

from mediashelf.errors import FormatError
from mediashelf.formats.packed.der import (
    BMP_STRING,
    CONTEXT_0,
    INTEGER,
    OBJECT_IDENTIFIER,
    OCTET_STRING,
    SEQUENCE,
    SET,
    DerReader,
    Element,
)

SOURCE = "catalog layout by mscat.h and as real catalogs have it; PE Format, Appendix A"

MAX_CATALOG_SIZE = 16 << 20
"""Bytes; those of driver packages have some ten thousand."""

MOST_MEMBERS = 65_536
_MOST_ELEMENTS = 2_000_000

# Contents of the object identifiers, whose names are those of the headers.
SIGNED_DATA = bytes.fromhex("2a864886f70d010702")  # 1.2.840.113549.1.7.2
CERTIFICATE_TRUST_LIST = bytes.fromhex("2b0601040182370a01")  # 1.3.6.1.4.1.311.10.1
CATALOG_LIST = bytes.fromhex("2b0601040182370c0101")  # …311.12.1.1
NAME_VALUE = bytes.fromhex("2b0601040182370c0201")  # …311.12.2.1
INDIRECT_DATA = bytes.fromhex("2b060104018237020104")  # …311.2.1.4
_ALGORITHMS = {
    bytes.fromhex("2b0e03021a"): "sha1",  # 1.3.14.3.2.26
    bytes.fromhex("608648016503040201"): "sha256",  # 2.16.840.1.101.3.4.2.1
}
_BY_SIZE = {20: "sha1", 32: "sha256"}
_HEX_TAG_SIZE = 82  # 40 hexadecimal digits and a NUL in UTF-16


class CatalogMember(Struct, frozen=True):
    """A file's name and digest. The name is empty where the catalog has none."""

    name: str
    algorithm: str
    digest: str


class Catalog(Struct, frozen=True):
    """The members with a digest, in order; ``others`` have one of an unknown kind or none."""

    members: tuple[CatalogMember, ...]
    others: int = 0


def looks_like_catalog(head: bytes) -> bool:
    """Tell by a file's first bytes whether it is a catalog: three identifiers in their places."""
    if head[:1] != bytes((SEQUENCE,)) or SIGNED_DATA not in head[:20]:
        return False
    list_at = head.find(CERTIFICATE_TRUST_LIST, 0, 256)
    return 0 <= list_at < head.find(CATALOG_LIST, 0, 320)


def parse_catalog(data: bytes) -> Catalog:
    """Return a catalog's members; raises :class:`FormatError` for anything else."""
    reader = DerReader(data, most_elements=_MOST_ELEMENTS)
    members = []
    others = 0
    listed = _members(reader)
    for count, element in enumerate(reader.inside(listed) if listed else ()):
        if count == MOST_MEMBERS:
            raise FormatError(
                "count of members",
                at=element.at,
                found=f"more than {MOST_MEMBERS:,}",
                expected="fewer",
            )
        member = _parse_member(reader, element)
        if member is None:
            others += 1
        else:
            members.append(member)
    return Catalog(tuple(members), others)


def _members(reader: DerReader) -> Element | None:
    """Return the element that lists the members; a catalog without any has none."""
    message = reader.expect(reader.element(), "message", OBJECT_IDENTIFIER, CONTEXT_0)
    _expect_identifier(reader, message[0], SIGNED_DATA, "kind of message")
    (signed,) = reader.expect(message[1], "signed message", SEQUENCE)
    signed_parts = reader.expect(signed, "signed message", INTEGER, SET, SEQUENCE)
    content = reader.expect(signed_parts[2], "signed content", OBJECT_IDENTIFIER, CONTEXT_0)
    _expect_identifier(reader, content[0], CERTIFICATE_TRUST_LIST, "kind of content")
    (trust_list,) = reader.expect(content[1], "list", SEQUENCE)
    parts = [part for part in reader.first(trust_list, 8) if part.tag == SEQUENCE]
    if not parts:
        raise FormatError("list", at=trust_list.at, found="nothing", expected="a usage")
    # Usage and subject algorithm come first.
    return parts[2] if len(parts) > 2 else None


def _expect_identifier(reader: DerReader, element: Element, expected: bytes, what: str) -> None:
    found = reader.contents(element)
    if found != expected:
        raise FormatError(what, at=element.at, found=found.hex(), expected=expected.hex())


def _parse_member(reader: DerReader, element: Element) -> CatalogMember | None:
    (tag,) = reader.expect(element, "member", OCTET_STRING)
    parts = reader.first(element, 2)
    name, told = "", _digest_of_tag(reader.contents(tag))
    for attribute in reader.inside(parts[1]) if len(parts) > 1 and parts[1].tag == SET else ():
        kind, values = reader.expect(attribute, "attribute", OBJECT_IDENTIFIER, SET)
        identifier = reader.contents(kind)
        if identifier == NAME_VALUE:
            for value in reader.inside(values):
                name = _parse_file_name(reader, value) or name
        elif identifier == INDIRECT_DATA:
            for value in reader.inside(values):
                told = _parse_indirect_data(reader, value) or told
    return CatalogMember(name, *told) if told else None


def _digest_of_tag(tag: bytes) -> tuple[str, str] | None:
    """Return algorithm and digest that a member's tag is: bytes, or digits as UTF-16."""
    if len(tag) == _HEX_TAG_SIZE:
        digits = tag[:-2].decode("utf-16-le", "replace").casefold()
        is_digest = all(digit in "0123456789abcdef" for digit in digits)
        return ("sha1", digits) if is_digest else None
    algorithm = _BY_SIZE.get(len(tag))
    return (algorithm, tag.hex()) if algorithm else None


def _parse_file_name(reader: DerReader, value: Element) -> str:
    """Return the value of the pair of name and value ``File``, or the empty text."""
    parts = reader.expect(value, "name", BMP_STRING, INTEGER, OCTET_STRING)
    if reader.contents(parts[0]).decode("utf-16-be", "replace") != "File":
        return ""
    return reader.contents(parts[2]).decode("utf-16-le", "replace").rstrip("\0")


def _parse_indirect_data(reader: DerReader, value: Element) -> tuple[str, str] | None:
    """Return algorithm and digest; which bytes they are of, the bytes themselves show."""
    parts = reader.expect(value, "indirect data", SEQUENCE, SEQUENCE)
    kind, digest = reader.expect(parts[1], "digest", SEQUENCE, OCTET_STRING)
    (identifier,) = reader.expect(kind, "kind of digest", OBJECT_IDENTIFIER)
    algorithm = _ALGORITHMS.get(reader.contents(identifier))
    return (algorithm, reader.contents(digest).hex()) if algorithm else None
