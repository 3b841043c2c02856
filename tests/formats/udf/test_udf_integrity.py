"""The logical volume integrity sequence and the metadata mirror file: needed by nobody, damaged."""

from __future__ import annotations

import pytest

from byte_views import BytesView
from golden_damage import sign, with_integrity, with_mirror
from image_parts import SECTOR, le32, tagged
from image_udf import TIMESTAMP
from make_image import flip, put
from mediashelf.findings import Severity
from mediashelf.formats.disc import read_disc
from mediashelf.formats.volume import VolumeKind

PLACE = 261 * SECTOR  # of the descriptor
LOGICAL = 258 * SECTOR  # of the logical volume descriptor


def rules(data: bytes) -> set[str]:
    return {finding.rule for finding in read_disc(BytesView(data)).findings}


@pytest.mark.parametrize("at", [0, 1, 2, 4, 8, 10, 12, 15, 16, 28, 32, 72, 500])
def test_every_byte_of_the_descriptor_counts(at: int) -> None:
    # ECMA-167 3/7.2: checksum and CRC; the layout as in the Linux kernel 6.1, fs/udf/ecma_167.h.
    data = with_integrity()
    assert rules(data) == set()
    damaged = flip(data, PLACE + at)
    assert rules(damaged) == {"udf-integrity"}
    volumes = [read_disc(BytesView(each)).facts.volumes for each in (data, damaged)]
    assert volumes[0] == volumes[1]  # everything else is read


def test_an_open_volume_is_noted() -> None:
    (finding,) = read_disc(BytesView(with_integrity(state=0))).findings
    assert (finding.rule, finding.severity) == ("udf-volume-closed", Severity.NOTE)


def test_the_last_descriptor_of_the_sequence_tells() -> None:
    # Bytes 32 to 39 are the next extent; a loop of them ends.
    data = with_integrity(state=0)
    body = TIMESTAMP + le32(0) + le32(SECTOR) + le32(261) + bytes(32) + le32(1) + le32(0)
    assert rules(put(data, PLACE, tagged(9, 261, body))) == {"udf-volume-closed"}
    (length,) = (len(data) // SECTOR,)
    more = body[:16] + le32(SECTOR) + le32(length) + body[24:]
    last = tagged(9, length, TIMESTAMP + le32(1) + bytes(40) + le32(1) + le32(0))
    longer = put(data, PLACE, tagged(9, 261, more)) + last
    assert "udf-volume-closed" not in rules(longer)
    assert "udf-integrity" in rules(flip(longer, length * SECTOR + 20))


def test_a_sequence_past_the_end_and_one_with_a_terminator() -> None:
    data = with_integrity()
    away = data
    for at in (LOGICAL, (int.from_bytes(data[256 * SECTOR + 28 :][:4], "little") + 1) * SECTOR):
        away = sign(put(away, at + 436, le32(1 << 20)), at)
    assert rules(away) == {"udf-integrity"}


def test_a_mirror_that_is_damaged_is_found_while_nothing_needs_it() -> None:
    # UDF 2.60, 2.2.10, as the Linux kernel 6.1 has it (fs/udf/osta_udf.h).
    assert rules(with_mirror()) == set()
    (finding,) = read_disc(BytesView(with_mirror(is_damaged=True))).findings
    assert (finding.rule, finding.severity) == ("udf-metadata-mirror", Severity.WARNING)
    assert finding.found.startswith(("CRC", "tag"))
    volume = read_disc(BytesView(with_mirror(is_damaged=True))).facts.volume(VolumeKind.UDF)
    assert volume is not None
    assert volume.is_complete
