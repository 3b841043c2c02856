"""Which volume descriptor counts: the one with the highest number, wherever pointers lead.

Layouts: ECMA-167 3/10.3, 3/10.5 and 3/10.6, as the Linux kernel 6.1 has them
(fs/udf/ecma_167.h and super.c).
"""

from __future__ import annotations

import struct

import pytest

from byte_views import BytesView
from image_moved import ANCHOR, MAIN, Disc, tagged
from image_parts import SECTOR
from mediashelf.formats.disc import read_disc
from mediashelf.formats.volume import VolumeKind

FILES = {"A.TXT": b"a" * 5000, "DIR/B.TXT": b"b" * 100}
POINTER, TERMINATING = 3, 8


def names_and_rules(disc: Disc) -> tuple[list[str], set[str]]:
    found = read_disc(BytesView(disc.data))
    volume = found.facts.volume(VolumeKind.UDF)
    assert volume is not None
    return [entry.path for entry in volume.entries], {each.rule for each in found.findings}


def moved(block: bytes, lba: int, **fields: int) -> bytes:
    """A descriptor at another place, with fields of 32 bits set at ``at_N``."""
    body = bytearray(block[16:512])
    for name, value in fields.items():
        struct.pack_into("<I", body, int(name.removeprefix("at_")) - 16, value)
    return tagged(block[0], lba, bytes(body))


def sequence_starts(disc: Disc) -> tuple[int, int]:
    return MAIN, struct.unpack_from("<I", disc.blocks[ANCHOR], 28)[0]


EXPECTED = (["/A.TXT", "/DIR", "/DIR/B.TXT"], set[str]())


@pytest.mark.parametrize(("offset", "at"), [(1, "at_252"), (2, "at_188")], ids=["volume", "place"])
@pytest.mark.parametrize(("number", "counts"), [(0, False), (9, True)], ids=["stale", "newer"])
def test_the_descriptor_with_the_highest_number_counts(
    offset: int, at: str, number: int, counts: bool
) -> None:
    """One that leads nowhere: the file set of a volume, or the first block of a partition."""
    disc = Disc(FILES)
    for start in sequence_starts(disc):
        other = moved(disc.blocks[start + offset], start + 3, at_16=number, **{at: 30_000})
        disc.blocks[start + 3 : start + 5] = [other, tagged(TERMINATING, start + 4, b"")]
    assert (names_and_rules(disc) == EXPECTED) is not counts


@pytest.mark.parametrize("extents", [1, 3])
def test_a_pointer_leads_to_the_rest_of_the_sequence(extents: int) -> None:
    disc = Disc(FILES)
    last_anchor = disc.blocks.pop()
    rest = disc.blocks[MAIN + 1 : MAIN + 4]
    for start in sequence_starts(disc):
        place, left = start + 1, extents
        while left:
            following = len(disc.blocks)
            disc.blocks += [bytes(SECTOR)] * 4
            pointer = struct.pack("<III", 3, 4 * SECTOR, following)
            disc.blocks[place] = tagged(POINTER, place, pointer)
            place, left = following, left - 1
        for number, block in enumerate(rest):
            disc.blocks[place + number] = moved(block, place + number)
        disc.blocks[start + 2 : start + 4] = [bytes(SECTOR)] * 2
    disc.blocks.append(moved(last_anchor, len(disc.blocks)))
    assert names_and_rules(disc) == EXPECTED


@pytest.mark.parametrize("place", [MAIN, 1 << 30], ids=["itself", "past the end"])
def test_a_pointer_that_leads_nowhere_ends(place: int) -> None:
    disc = Disc(FILES)
    pointer = struct.pack("<III", 3, 4 * SECTOR, place)
    disc.blocks[MAIN + 1] = tagged(POINTER, MAIN + 1, pointer)
    paths, rules = names_and_rules(disc)
    assert paths == EXPECTED[0]  # the reserve sequence is whole
    assert "udf-volume-descriptors" in rules
