"""Rock Ridge: detected, names read over continuations, relocations resolved and never circled."""

from __future__ import annotations

from io import BytesIO
from pathlib import Path

import pycdlib
import pytest

import image_parts as parts
from byte_views import BytesView
from image_parts import SECTOR
from make_image import MadeImage, make_iso, put
from mediashelf.findings import Severity
from mediashelf.formats.disc import DiscReading, read_disc
from mediashelf.formats.problem_log import ProblemLog
from mediashelf.formats.rockridge.system_use import MOST_CONTINUATIONS, SystemUseReader
from mediashelf.formats.volume import VolumeKind
from mediashelf.image import open_image

LONG = "eine Gezeitentafel für " + "viele " * 30 + "Häfen.txt"


@pytest.fixture(scope="module")
def image() -> MadeImage:
    return make_iso(
        {
            "TABLES/HARBOUR.TXT": b"harbour",
            "TABLES/DEEP/DEEPER/BOTTOM.TXT": b"bottom",
            "PLAIN.TXT": b"plain",
        },
        rock_ridge=True,
        long_names={"TABLES/HARBOUR.TXT": LONG, "TABLES": "tables", "TABLES/DEEP": "deep one"},
        relocate=["TABLES/DEEP"],
    )


def read(data: bytes) -> DiscReading:
    return read_disc(BytesView(data))


def paths(disc: DiscReading, kind: VolumeKind = VolumeKind.ROCKRIDGE) -> list[str]:
    volume = disc.facts.volume(kind)
    assert volume is not None
    return [entry.path for entry in volume.entries]


def rules(disc: DiscReading) -> set[str]:
    return {finding.rule for finding in disc.findings}


def test_the_control_lists_long_names_and_directories_where_they_belong(image: MadeImage) -> None:
    disc = read(image.data)
    assert disc.findings == ()
    assert paths(disc) == [
        "/PLAIN.TXT",
        "/RR_MOVED",
        "/tables",
        "/tables/deep one",
        f"/tables/{LONG}",
        "/tables/deep one/DEEPER",
        "/tables/deep one/DEEPER/BOTTOM.TXT",
    ]
    assert "/RR_MOVED/DEEP/DEEPER/BOTTOM.TXT" in paths(disc, VolumeKind.ISO9660)
    assert "/TABLES/DEEP" in paths(disc, VolumeKind.ISO9660)
    volume = disc.facts.volume(VolumeKind.ROCKRIDGE)
    assert volume is not None
    assert volume.detail == "RRIP_1991A"
    deep = next(entry for entry in volume.entries if entry.path == "/tables/deep one")
    assert deep.is_directory
    assert deep.extents[0].lba == image.directory("/RR_MOVED/DEEP") // SECTOR


def test_contents_are_those_of_the_primary_tree(image: MadeImage, tmp_path: Path) -> None:
    # RRIP 1.12, 4.1: entries of the same records.
    with open_image(image.save(tmp_path / "ridge.iso")) as opened:
        volume = opened.facts.volume(VolumeKind.ROCKRIDGE)
        assert volume is not None
        found = {
            entry.path: opened.read_file(entry, 100)
            for entry in volume.entries
            if not entry.is_directory
        }
    assert found[f"/tables/{LONG}"] == b"harbour"
    assert found["/tables/deep one/DEEPER/BOTTOM.TXT"] == b"bottom"


def test_without_its_announcement_there_is_no_rock_ridge(image: MadeImage) -> None:
    # SUSP 1.12, 5.3: SP in the root's first record.
    at = image.directory("/") + 34
    assert image.data[at : at + 6] == b"SP\x07\x01\xbe\xef"
    for offset in (0, 4, 5):
        disc = read(put(image.data, at + offset, b"x"))
        assert disc.facts.volume(VolumeKind.ROCKRIDGE) is None
        # Every long name is gone with it, which is said.
        (finding,) = disc.findings
        assert (finding.rule, finding.severity) == ("rockridge-announcement", Severity.ERROR)


def test_a_name_that_is_not_utf_8_is_still_a_name() -> None:
    # Own behaviour: RRIP 1.12, 4.1.4 names no encoding.
    made = make_iso({"A.TXT": b"a"}, rock_ridge=True, long_names={"A.TXT": "aéb"})
    at = made.data.index("aéb".encode())
    assert paths(read(put(made.data, at, b"a\xff\xfeb"))) == ["/aÿþb"]


def test_a_system_use_entry_that_is_too_long(image: MadeImage) -> None:
    # SUSP 1.12, 4.1.
    record = image.record("/PLAIN.TXT")
    at = image.data.index(b"PX", record)
    disc = read(put(image.data, at + 2, b"\xf0"))
    assert rules(disc) == {"rockridge-entry"}
    assert "/PLAIN.TXT" in paths(disc)


@pytest.mark.parametrize("length", [0, 1, 2, 3])
def test_a_system_use_entry_that_is_too_short(image: MadeImage, length: int) -> None:
    # SUSP 1.12, 4.1: at least 4 bytes.
    at = image.data.index(b"NM", image.record("/PLAIN.TXT"))
    disc = read(put(image.data, at + 2, bytes([length])))
    assert rules(disc) == {"rockridge-entry"}


def continuation_at(image: MadeImage) -> int:
    return image.data.index(b"CE", image.record("/TABLES/HARBOUR.TXT"))


def test_a_continuation_outside_is_named(image: MadeImage) -> None:
    # SUSP 1.12, 5.1.
    at = continuation_at(image) + 4
    disc = read(put(image.data, at, parts.both32(1_000_000)))
    assert rules(disc) == {"rockridge-continuation"}
    over_the_end = read(put(image.data, at + 8, parts.both32(SECTOR - 1)))
    assert rules(over_the_end) == {"rockridge-continuation"}


def test_continuations_in_a_circle_end() -> None:
    # SUSP 1.12, 5.1; where it ends is own behaviour.
    lba = 1
    area = parts.alternate_name(b"x", flags=1) + parts.continuation(lba, 0, 34)
    view = BytesView(bytes(SECTOR) + area.ljust(SECTOR, b"\0"))
    log = ProblemLog()
    start = parts.continuation(lba, 0, len(area))
    entries = list(SystemUseReader(view, SECTOR, log).entries(start, "/X", 0))
    assert [signature for signature, _ in entries] == [b"NM"]
    assert [finding.rule for finding in log.findings()] == ["rockridge-continuation"]


def test_a_long_chain_of_continuations_ends() -> None:
    # Linux kernel 6.12, fs/isofs/rock.c: 32 continuations.
    chain = b"".join(
        parts.continuation(0, (number + 1) * 28, 28) for number in range(SECTOR // 28 - 1)
    )
    log = ProblemLog()
    reader = SystemUseReader(BytesView(chain.ljust(SECTOR, b"\0")), SECTOR, log)
    assert list(reader.entries(parts.continuation(0, 0, 28), "/X", 0)) == []
    assert [finding.rule for finding in log.findings()] == ["rockridge-continuation"]
    assert MOST_CONTINUATIONS < SECTOR // 28


def child_link(image: MadeImage) -> int:
    """Byte offset of the block number in the CL entry."""
    return image.data.index(b"CL\x0c\x01", image.record("/TABLES/DEEP")) + 4


@pytest.mark.parametrize("target", ["/", "/TABLES", "/RR_MOVED"])
def test_links_to_other_directories_end(image: MadeImage, target: str) -> None:
    # RRIP 1.12, 4.1.5.1.
    lba = image.directory(target) // SECTOR
    disc = read(put(image.data, child_link(image), parts.both32(lba)))
    assert {"rockridge-relocation", "directory-loop"} <= rules(disc)
    assert not any("BOTTOM" in path for path in paths(disc))


@pytest.mark.parametrize("lba", [0, 1, 16, 1_000_000])
def test_links_to_no_directory_are_named(image: MadeImage, lba: int) -> None:
    # RRIP 1.12, 4.1.5.1.
    disc = read(put(image.data, child_link(image), parts.both32(lba)))
    assert rules(disc) == {"rockridge-relocation"}
    assert "/tables/deep one" in paths(disc)


def test_a_relocated_directory_must_link_back(image: MadeImage) -> None:
    # RRIP 1.12, 4.1.5.2.
    at = image.data.index(b"PL\x0c\x01", image.directory("/RR_MOVED/DEEP")) + 4
    disc = read(put(image.data, at, parts.both32(19)))
    assert rules(disc) == {"rockridge-relocation"}
    assert "/tables/deep one/DEEPER/BOTTOM.TXT" in paths(disc)


def test_a_relocated_directory_without_a_link_is_named(image: MadeImage) -> None:
    # RRIP 1.12, 4.1.5.3.
    at = child_link(image) - 4
    disc = read(put(image.data, at, b"XX"))
    assert rules(disc) == {"rockridge-relocation"}
    assert not any("BOTTOM" in path for path in paths(disc))


def test_the_tree_that_pycdlib_writes_and_reads(tmp_path: Path) -> None:
    """Eleven levels, so that pycdlib relocates a directory; a symbolic link is an empty file."""
    iso = pycdlib.PyCdlib()
    iso.new(rock_ridge="1.09", interchange_level=3)
    path = ""
    for level in range(1, 12):
        path += f"/DIR{level}"
        iso.add_directory(path, rr_name=f"directory number {level}")
    iso.add_fp(BytesIO(b"deep\n"), 5, f"{path}/FOO.;1", rr_name="foo with a long name")
    iso.add_fp(BytesIO(b"long\n"), 5, "/LONG.;1", rr_name="n" * 240)
    iso.add_symlink("/LINK.;1", rr_symlink_name="link", rr_path="n" * 240)
    image = tmp_path / "deep.iso"
    iso.write(str(image))
    walked = []
    for parent, folders, files in iso.walk(rr_path="/"):
        walked += [f"{parent.rstrip('/')}/{name}" for name in (*folders, *files)]
    iso.close()
    with open_image(image) as opened:
        found = paths(DiscReading(opened.facts, opened.findings))
        # pycdlib's own application identifier has lower-case letters.
        assert {finding.rule for finding in opened.findings} == {
            "descriptor-characters",
            "rockridge-links",
        }
    assert sorted(found) == sorted(walked)
    assert len(found) == 11 + 3 + 1
