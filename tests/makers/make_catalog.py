"""Catalogs (.cat) of driver packages, written byte by byte.

The layout is that of real catalogs: mscat.h and wintrust.h name the identifiers; there is
no published text. What follows the list in a signed message is left out, as nothing here
looks at it.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass

SHA1, SHA256 = "1.3.14.3.2.26", "2.16.840.1.101.3.4.2.1"
FLAT, PE_IMAGE = "1.3.6.1.4.1.311.2.1.25", "1.3.6.1.4.1.311.2.1.15"


@dataclass(frozen=True)
class Member:
    """One member as it stands in a catalog; ``version`` 1 has its digest as text in the tag."""

    name: str
    digest: bytes
    version: int = 1
    is_program: bool = False
    has_indirect_data: bool = True


def der(tag: int, *parts: bytes) -> bytes:
    """An element with a definite length of as few bytes as possible."""
    contents = b"".join(parts)
    if len(contents) < 0x80:
        return bytes((tag, len(contents))) + contents
    size = len(contents).to_bytes((len(contents).bit_length() + 7) // 8, "big")
    return bytes((tag, 0x80 | len(size))) + size + contents


def oid(text: str) -> bytes:
    """An object identifier: two numbers in the first byte, then seven bits a byte."""
    first, second, *others = map(int, text.split("."))
    contents = bytes((40 * first + second,))
    for number in others:
        digits = [number & 0x7F]
        while number := number >> 7:
            digits.insert(0, number & 0x7F | 0x80)
        contents += bytes(digits)
    return der(0x06, contents)


def pair(name: str, value: str) -> bytes:
    """A name and a value: a BMPString, flags, and UTF-16 with a NUL."""
    return der(
        0x30,
        der(0x1E, name.encode("utf-16-be")),
        der(0x02, bytes.fromhex("10010001")),
        der(0x04, (value + "\0").encode("utf-16-le")),
    )


def attribute(kind: str, value: bytes) -> bytes:
    return der(0x30, oid(kind), der(0x31, value))


def make_member(member: Member) -> bytes:
    tag = member.digest
    if member.version == 1:
        tag = (hashlib.sha1(member.digest).hexdigest().upper() + "\0").encode("utf-16-le")
        if len(member.digest) == 20:
            tag = (member.digest.hex().upper() + "\0").encode("utf-16-le")
    attributes = []
    if member.name:
        attributes.append(attribute("1.3.6.1.4.1.311.12.2.1", pair("File", member.name)))
    attributes.append(attribute("1.3.6.1.4.1.311.12.2.1", pair("OSAttr", "2:5.1,2:6.0")))
    if member.has_indirect_data:
        algorithm = SHA1 if len(member.digest) == 20 else SHA256
        indirect = der(
            0x30,
            der(0x30, oid(PE_IMAGE if member.is_program else FLAT)),
            der(0x30, der(0x30, oid(algorithm), der(0x05)), der(0x04, member.digest)),
        )
        attributes.append(attribute("1.3.6.1.4.1.311.2.1.4", indirect))
    return der(0x30, der(0x04, tag), der(0x31, *attributes))


def make_catalog(members: Sequence[Member], *, extensions: Sequence[tuple[str, str]] = ()) -> bytes:
    """A catalog of these members, with extensions such as hardware ids."""
    version = "1.3.6.1.4.1.311.12.1.2"
    if members and members[0].version == 2:
        version = "1.3.6.1.4.1.311.12.1.3"
    listed = [
        der(0x30, oid("1.3.6.1.4.1.311.12.1.1")),
        der(0x04, bytes(16)),
        der(0x17, b"991126120000Z"),
        der(0x30, oid(version), der(0x05)),
    ]
    if members:
        listed.append(der(0x30, *map(make_member, members)))
    if extensions:
        pairs = [
            der(0x30, oid("1.3.6.1.4.1.311.12.2.1"), der(0x04, pair(*each))) for each in extensions
        ]
        listed.append(der(0xA0, der(0x30, *pairs)))
    content = der(0x30, oid("1.3.6.1.4.1.311.10.1"), der(0xA0, der(0x30, *listed)))
    algorithms = der(0x31, der(0x30, oid(SHA1), der(0x05)))
    signed = der(0x30, der(0x02, b"\x01"), algorithms, content)
    return der(0x30, oid("1.2.840.113549.1.7.2"), der(0xA0, signed))
