"""A finding names the place of the damage: own behaviour, held over every golden disc.

Of three kinds: the damaged bytes themselves, the start of the record or table that has
them, and, for the rules in ``ELSEWHERE``, where the damaged pointer leads or what it lacks.
"""

from __future__ import annotations

import pytest

from byte_views import BytesView
from golden_damage import GOLDEN
from mediashelf.formats.disc import read_disc
from mediashelf.formats.structure_rules import STRUCTURE_RULES

# A record or table, from its start to its end at most.
HOLDER_SIZES = {
    "boot-checksum": -32,  # the checksum is after the bytes that it is of
    "boot-record-fields": 2048,
    "both-orders-agree": 8,
    "identifier-characters": 255,
    "identifier-usable": 255,
    "identifiers-distinct": 2048,
    "joliet-characters": 255,
    "parent-record": 2048,
    "both-orders-recorded": 8,
    "parent-record-agrees": 34,
    "path-table-order": 2048,
    "path-tables-agree": 2048,
    "primary-copies-agree": 2048,
    "record-order": -255,  # the name before it was changed
    "rockridge-announcement": 255,
    "rockridge-compressed": 255,
    "rockridge-entry": 255,
    "rockridge-field": 255,
    "rockridge-links": 255,
    "rockridge-name-present": 255,
    "rockridge-entries-alike": 255,
    "rockridge-continuation": 255,
    "self-record": 34,
    "supplementary-volume-read": 2048,
    "udf-announced": 16 * 2048,  # from where the recognition sequence is looked for
    "udf-links": 176,
    "udf-recognition": 2048,
}
ELSEWHERE = {
    "boot-catalog-announced": None,  # the catalog; the boot record is gone
    "boot-catalog-readable": 100_000 * 2048,  # the block that the boot record names
    "boot-section": None,  # the entry after the header that says that another follows
    "directory-readable": None,  # the directory itself; its size is in the parent's record
    "extent-inside-volume": None,  # the file's bytes past the end
    "path-table-agrees": None,  # the table, and the directory that it lacks
    "path-table-readable": 100_000 * 2048,  # the block that the descriptor names
    "rockridge-extension": None,  # the root, whose entries go on elsewhere
    "rockridge-relocation": None,  # the record, and the directory that it should name
    "udf-moved-blocks": None,  # the last block, where the table should be
    "udf-volume-descriptors": None,  # the sequence, whose length is in the anchor
}
WITHOUT_PLACE = {
    "image-is-unpacked",
    "no-volume",
    "raw-sectors",
    "udf-address",
    "udf-block-size",
    "udf-contents-not-read",
    "udf-directory",
    "udf-file-entry",
}


@pytest.mark.parametrize("rule", STRUCTURE_RULES)
def test_a_finding_names_the_place_of_the_damage(rule: str) -> None:
    case = GOLDEN[rule]
    before, after = case.sound, case.damaged
    size = max(len(before), len(after))
    damaged = [at for at in range(size) if before[at : at + 1] != after[at : at + 1]]
    found = [each for each in read_disc(BytesView(after)).findings if each.rule == rule]
    assert found
    if rule in WITHOUT_PLACE:
        assert {each.offset for each in found} == {None}
        return
    for finding in found:
        assert finding.offset is not None
        if rule in ELSEWHERE:
            assert ELSEWHERE[rule] in (None, finding.offset)
            continue
        reach = HOLDER_SIZES.get(rule, finding.length or 1)
        first, last = sorted((finding.offset, finding.offset + reach))
        assert any(first <= at < last for at in damaged), (finding, damaged[:3])


@pytest.mark.parametrize(
    ("rule", "place", "length"),
    [
        # The directory's 53,248 bytes, 26 blocks from its own.
        ("directory-readable", "directory", 53_248),
        ("extent-inside-volume", "end of volume", 100),
    ],
)
def test_a_pointer_past_the_end_is_named_by_what_it_leads_to(
    rule: str, place: str, length: int
) -> None:
    case = GOLDEN[rule]
    (finding,) = (each for each in read_disc(BytesView(case.damaged)).findings if each.rule == rule)
    start = 21 * 2048 if place == "directory" else len(case.damaged) - 2048
    assert (finding.offset, finding.length) == (start, length)
