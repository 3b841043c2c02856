"""Files inside an image with checksums of their own: found by content, verified in place.

The formats' sources are named where each is checked alone; which findings come of them,
and where, is own behaviour.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from image_contents import CABINET, FILES, SELF_EXTRACTING, SETUP_CABINET, TEXT, check
from make_files import make_pe
from make_image import MadeImage, flip, make_iso
from mediashelf.formats.packed.signatures import HEAD_SIZE, ContentFormat
from mediashelf.image import open_image
from mediashelf.integrity.inside.content_files import DistinctFiles
from mediashelf.integrity.inside.contents import check_contents

PROGRAM = make_pe()


def test_a_sound_image_yields_nothing_and_says_what_was_verified(
    made: MadeImage, tmp_path: Path
) -> None:
    findings, report = check(made.data, tmp_path)
    assert findings == []
    assert {kind: tally.files for kind, tally in report.tallies.items()} == {
        ContentFormat.CABINET: 2,  # one of them behind a program
        ContentFormat.PROGRAM: 4,
        ContentFormat.COMPRESSED: 2,
        ContentFormat.RAR: 1,
        ContentFormat.RAR5: 1,
        ContentFormat.SEVEN_ZIP: 1,
        ContentFormat.GZIP: 1,
    }
    assert (report.files, report.unchecked_files) == (len(FILES) - 1, 1)
    assert report.tallies[ContentFormat.CABINET].verified["data block checksums"] == 3
    assert report.tallies[ContentFormat.PROGRAM].verified["PE checksums"] == 1
    assert report.unreadable_files == 0


def test_damage_is_placed_in_the_image_and_named_by_the_telling_tree(
    made: MadeImage, tmp_path: Path
) -> None:
    at = made.file("/DRIVERS/DATA1.CAB") + CABINET.at("data 0.1") + 100
    findings, report = check(flip(made.data, at), tmp_path)
    (finding,) = findings
    assert finding.where == "/DRIVERS/Larkspur data.cab"
    assert finding.rule == "cabinet-checksums-agree"
    assert finding.offset == made.file("/DRIVERS/DATA1.CAB") + CABINET.at("block 0.1")
    assert finding.offset <= at < finding.offset + (finding.length or 0)
    assert "CHART.BIN" in finding.message
    assert finding.remedy
    assert finding.source
    assert report.tallies[ContentFormat.CABINET].faulty_files == 1


def test_an_archive_after_a_program_is_checked_where_it_is(made: MadeImage, tmp_path: Path) -> None:
    start = SELF_EXTRACTING.data.index(b"MSCF")
    at = made.file("/DRIVERS/SETUP.EXE") + start + SETUP_CABINET.at("data 0.0") + 9
    findings, _ = check(flip(made.data, at), tmp_path)
    assert {finding.rule for finding in findings} == {
        "program-checksum-agrees",
        "cabinet-checksums-agree",
    }
    damage = next(item for item in findings if item.rule == "cabinet-checksums-agree")
    assert damage.offset is not None
    assert damage.offset <= at < damage.offset + (damage.length or 0)


@pytest.mark.parametrize(
    ("path", "offset", "rule"),
    [
        ("/DRIVERS/LKVX3.DL_", 14, "compressed-length-agrees"),
        ("/PACKED/OLD.RAR", 60, "archive-member-matches-its-crc"),
        ("/PACKED/NEW.RAR", 60, "archive-member-matches-its-crc"),
        ("/PACKED/DATA.7Z", 13, "archive-header-crc-agrees"),
        ("/PACKED/CHART.GZ", 30, "gzip-data-matches-its-crc"),
        ("/DOS/QLSET.EXE", 3, "program-header-holds"),
    ],
)
def test_each_format_beside_its_control(
    made: MadeImage, tmp_path: Path, path: str, offset: int, rule: str
) -> None:
    findings, _ = check(flip(made.data, made.file(path) + offset), tmp_path)
    assert [(finding.where, finding.rule) for finding in findings] == [(path, rule)]


def test_files_are_told_by_their_content_not_their_name(tmp_path: Path) -> None:
    made = make_iso({"LETTER.TXT": CABINET.data, "DATA1.CAB": TEXT})
    findings, report = check(flip(made.data, made.file("/LETTER.TXT") + 20_000), tmp_path)
    assert [finding.where for finding in findings] == ["/LETTER.TXT"]
    assert report.unchecked_files == 1


def test_shared_extents_are_verified_once(made: MadeImage, tmp_path: Path) -> None:
    path = made.save(tmp_path / "a.iso")
    with open_image(path) as image:
        assert len(image.facts.volumes) == 2
        counted: list[int] = []
        list(check_contents(image, on_bytes=counted.append))
        assert sum(counted) == sum(map(len, FILES.values()))


def test_a_file_in_several_extents_is_one_file(tmp_path: Path) -> None:
    made = make_iso({"DATA1.CAB": CABINET.data}, sections={"DATA1.CAB": 8192})
    findings, report = check(made.data, tmp_path)
    assert findings == []
    assert report.tallies[ContentFormat.CABINET].verified["data block checksums"] == 2
    at = made.file("/DATA1.CAB") + CABINET.at("data 0.1") + 300
    assert [finding.rule for finding in check(flip(made.data, at), tmp_path)[0]] == [
        "cabinet-checksums-agree"
    ]


def test_only_the_files_asked_for(made: MadeImage, tmp_path: Path) -> None:
    at = made.file("/DRIVERS/DATA1.CAB") + 20_000
    path = tmp_path / "a.iso"
    path.write_bytes(flip(made.data, at))
    with open_image(path) as image:
        files = list(DistinctFiles(image.facts))
        chosen = [file for file in files if file.path.endswith(".RAR")]
        assert chosen
        assert list(check_contents(image, files=chosen)) == []
        chosen = [file for file in files if file.path.endswith(".cab")]
        (finding,) = check_contents(image, files=chosen)
        assert finding.where == "/DRIVERS/Larkspur data.cab"


def test_a_file_that_the_image_no_longer_holds_is_counted(tmp_path: Path) -> None:
    made = make_iso({"A.TXT": b"a", "Z.CAB": CABINET.data})
    findings, report = check(made.data[: made.file("/Z.CAB") + 3000], tmp_path)
    assert report.cut_files == 1
    assert {finding.where for finding in findings} == {"/Z.CAB"}
    assert {finding.rule for finding in findings} == {"cabinet-structure-holds"}
    size = made.file("/Z.CAB") + 3000
    assert all(item.offset is not None and item.offset < size for item in findings)


def test_progress_comes_while_a_file_is_read(tmp_path: Path) -> None:
    made = make_iso({"A.CAB": CABINET.data})
    counted: list[int] = []
    with open_image(made.save(tmp_path / "a.iso")) as image:
        list(check_contents(image, on_bytes=counted.append))
    assert counted[0] == HEAD_SIZE
    assert sum(counted) == len(CABINET.data)
