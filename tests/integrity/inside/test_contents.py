"""Files inside an image with checksums of their own: found by content, verified in place.

The formats' sources are named where each is checked alone; which findings come of them,
and where, is own behaviour.
"""

from __future__ import annotations

import gzip
import hashlib
import io
import random
import tracemalloc
import zipfile
from pathlib import Path

import pytest

from byte_views import BytesView
from make_files import (
    MSZIP,
    make_cabinet,
    make_kwaj,
    make_le,
    make_mz,
    make_ne,
    make_pe,
    make_rar,
    make_rar5,
    make_seven_zip_shell,
    make_szdd,
)
from make_image import MadeImage, flip, make_iso
from mediashelf.findings import Finding, Severity
from mediashelf.formats.disc import read_disc
from mediashelf.formats.packed.signatures import HEAD_SIZE, ContentFormat
from mediashelf.formats.volume import DiscFacts, Entry, Extent, VolumeFacts, VolumeKind
from mediashelf.image import open_image
from mediashelf.integrity.inside.content_files import DistinctFiles
from mediashelf.integrity.inside.contents import (
    MAX_FAULTS_PER_FILE,
    ContentsReport,
    check_contents,
)
from mediashelf.integrity.inside.selfchecks.faults import ExpansionAllowance

TEXT = b"high water at the harbour " * 60
CABINET = make_cabinet([{"TIDE.TXT": TEXT, "CHART.BIN": random.Random(5).randbytes(40_000)}])
SETUP_CABINET = make_cabinet([{"IN.SYS": TEXT}], compression=MSZIP)
PROGRAM = make_pe()
SELF_EXTRACTING = make_pe(overlay=SETUP_CABINET.data)

FILES = {
    "DRIVERS/DATA1.CAB": CABINET.data,
    "DRIVERS/SETUP.EXE": SELF_EXTRACTING.data,
    "DRIVERS/LKVX3.VXD": make_le().data,
    "DRIVERS/QL16.DRV": make_ne().data,
    "DRIVERS/LKVX3.DL_": make_szdd(TEXT),
    "DRIVERS/TERN.DL_": make_kwaj(TEXT, method=2),
    "DOS/QLSET.EXE": make_mz(),
    "PACKED/OLD.RAR": make_rar({"A": TEXT}).data,
    "PACKED/NEW.RAR": make_rar5({"A": TEXT}).data,
    "PACKED/DATA.7Z": make_seven_zip_shell().data,
    "PACKED/CHART.GZ": gzip.compress(TEXT, mtime=0),
    "README.TXT": TEXT,
    "EMPTY": b"",
}
LONG_NAMES = {"DRIVERS/DATA1.CAB": "Larkspur data.cab"}


@pytest.fixture(scope="module")
def made() -> MadeImage:
    return make_iso(FILES, joliet=3, long_names=LONG_NAMES)


def check(data: bytes, folder: Path) -> tuple[list[Finding], ContentsReport]:
    path = folder / "disc.iso"
    path.write_bytes(data)
    report = ContentsReport()
    with open_image(path) as image:
        return list(check_contents(image, report=report)), report


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


def test_a_file_with_endless_findings_is_left_and_said_to_be(tmp_path: Path) -> None:
    blocks = 2 * MAX_FAULTS_PER_FILE + 50
    many = make_cabinet([{"A": bytes(8)} for _ in range(blocks)])
    data = many.data
    for number in range(blocks):
        data = flip(data, many.at(f"data {number}.0"))
    made = make_iso({"A.CAB": data})
    findings, _ = check(made.data, tmp_path)
    assert len(findings) == MAX_FAULTS_PER_FILE + 1
    assert (findings[-1].rule, findings[-1].severity) == ("findings-are-counted", Severity.NOTE)


def listed(files: dict[str, bytes], algorithm: str) -> bytes:
    return "".join(
        f"{hashlib.new(algorithm, data).hexdigest()}  {name}\n" for name, data in files.items()
    ).encode()


def test_lists_inside_the_image_are_compared(tmp_path: Path) -> None:
    inside = {"A.TXT": TEXT, "SUB/B.BIN": bytes(9000), "EMPTY": b""}
    lists = {"SHA256SUM": listed(inside, "sha256"), "MD5SUMS": listed(inside, "md5")}
    # A second list deeper down names files beside itself.
    lists["SUB/SHA1SUMS"] = listed({"B.BIN": bytes(9000)}, "sha1")
    made = make_iso(inside | lists)
    findings, report = check(made.data, tmp_path)
    assert findings == []
    tally = report.tallies[ContentFormat.CHECKSUM_LIST]
    assert (tally.files, tally.verified["listed files"]) == (3, 7)
    assert report.unchecked_files == 2
    at = made.file("/SUB/B.BIN") + 4000
    findings, report = check(flip(made.data, at), tmp_path)
    assert [finding.where for finding in findings] == ["/SUB/B.BIN"] * 3
    assert {finding.rule for finding in findings} == {"file-matches-its-list"}
    assert {finding.offset for finding in findings} == {made.file("/SUB/B.BIN")}
    assert {finding.severity for finding in findings} == {Severity.ERROR}
    assert "/SHA256SUM, line 2" in " ".join(finding.message for finding in findings)


def test_listed_names_are_found_in_the_tree_that_has_them(tmp_path: Path) -> None:
    lists = listed({"Larkspur data.cab": CABINET.data, "a.txt": TEXT}, "sha256")
    files = {"DATA1.CAB": CABINET.data, "A.TXT": TEXT, "SUMS.TXT": lists}
    made = make_iso(files, joliet=3, long_names={"DATA1.CAB": "Larkspur data.cab"})
    findings, report = check(made.data, tmp_path)
    assert findings == []
    assert report.tallies[ContentFormat.CHECKSUM_LIST].verified["listed files"] == 2


def test_names_that_are_absent_or_lead_out_are_told_once_a_list(tmp_path: Path) -> None:
    lines = [f"{'0' * 64}  GONE{number}.TXT\n" for number in range(9)]
    lines += [f"{'0' * 64}  ../OUT.TXT\n", f"{hashlib.sha256(TEXT).hexdigest()}  A.TXT\n"]
    made = make_iso({"A.TXT": TEXT, "SUMS": "".join(lines).encode()})
    findings, _ = check(made.data, tmp_path)
    assert [(finding.rule, finding.severity) for finding in findings] == [
        ("listed-file-is-present", Severity.WARNING),
        ("listed-name-stays-inside", Severity.WARNING),
    ]
    assert findings[0].message.startswith("9 of 10 files")
    assert "GONE4.TXT and 4 more" in findings[0].message
    # A list of which nothing is here may be meant for another place.
    (finding,), _ = check(make_iso({"A.TXT": TEXT, "SUMS": lines[0].encode()}).data, tmp_path)
    assert (finding.rule, finding.severity) == ("listed-file-is-present", Severity.NOTE)


def test_text_that_only_looks_like_a_list_is_none(tmp_path: Path) -> None:
    made = make_iso({"NOTE.TXT": b"version 19990601\nserial 00000000\n"})
    findings, report = check(made.data, tmp_path)
    assert findings == []
    assert ContentFormat.CHECKSUM_LIST not in report.tallies
    assert report.unchecked_files == 1


class _FailingView:
    """An image on a card with one bad place."""

    def __init__(self, data: bytes, bad: range) -> None:
        self._view, self._bad = BytesView(data), bad
        self.size = len(data)

    def read(self, offset: int, size: int) -> bytes:
        if offset < self._bad.stop and self._bad.start < offset + size:
            raise OSError(5, "Input/output error")
        return self._view.read(offset, size)


class _FailingImage:
    def __init__(self, view: _FailingView, facts: DiscFacts) -> None:
        self.view, self.facts = view, facts


def test_an_error_of_the_medium_is_a_finding_and_the_rest_is_checked(
    made: MadeImage, tmp_path: Path
) -> None:
    with open_image(made.save(tmp_path / "a.iso")) as image:
        facts = image.facts
    at = made.file("/DRIVERS/DATA1.CAB") + 20_000
    data = flip(made.data, made.file("/PACKED/DATA.7Z") + 13)
    report = ContentsReport()
    image = _FailingImage(_FailingView(data, range(at, at + 1)), facts)
    findings = list(check_contents(image, report=report))
    assert {finding.rule for finding in findings} == {
        "content-is-readable",
        "archive-header-crc-agrees",
    }
    assert {finding.severity for finding in findings} == {Severity.ERROR}
    assert report.unreadable_files == 1


def test_memory_is_bounded_whatever_the_files_say(tmp_path: Path) -> None:
    bomb = make_iso({"A.GZ": gzip.compress(bytes(100 << 20), 9, mtime=0), "B.BIN": bytes(8 << 20)})
    path = bomb.save(tmp_path / "a.iso")
    with open_image(path) as image:
        tracemalloc.start()
        assert list(check_contents(image)) == []
        peak = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
    assert peak < 8 << 20


def test_entries_that_claim_the_same_bytes_again_and_again_are_refused() -> None:
    entries = tuple(
        Entry(
            f"/{start}",
            str(start),
            2048 * (40 - start),
            False,
            (Extent(start, 2048 * (40 - start)),),
        )
        for start in range(40)
    )
    facts = DiscFacts(40 * 2048, (VolumeFacts(VolumeKind.ISO9660, "", entries),))
    image = _FailingImage(_FailingView(bytes(40 * 2048), range(0)), facts)
    report = ContentsReport()
    (finding,) = check_contents(image, report=report)
    assert (finding.rule, finding.severity) == ("extents-are-bounded", Severity.ERROR)
    assert finding.offset == int(finding.where[1:]) * 2048
    assert report.size <= 8 * 40 * 2048


@pytest.mark.parametrize("content", [b"", b"not an image", bytes(40_000)])
def test_what_is_no_image_has_no_contents(tmp_path: Path, content: bytes) -> None:
    findings, report = check(content, tmp_path)
    assert (findings, report.files) == ([], 0)


def _samples() -> dict[str, bytes]:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("A.TXT", TEXT)
        archive.writestr("B", b"b")
    small = {name: data for name, data in FILES.items() if 0 < len(data) < 16_000}
    small["SUMS"] = listed({"README.TXT": TEXT}, "sha256")
    return small | {"A.ZIP": out.getvalue()}


def test_damage_of_any_kind_never_raises_or_hangs() -> None:
    """Seeded flips, cuts, splices and zeroed runs over an image of every format."""
    samples = _samples()
    made = make_iso(samples)
    facts = read_disc(BytesView(made.data)).facts
    places = {name: made.file(f"/{name}") for name in samples}
    noise = random.Random(1999)
    names = sorted(samples)
    seen: set[str] = set()
    for _ in range(4000):
        name = noise.choice(names)
        start, size = places[name], len(samples[name])
        data = bytearray(made.data)
        for _ in range(noise.choice((1, 1, 1, 2, 8))):
            # Headers are where a single byte changes the most.
            at = start + noise.randrange(min(size, noise.choice((64, 512, size))))
            kind = noise.randrange(5)
            if kind == 0:
                data[at] ^= 0xFF
            elif kind == 1:
                data[at] = noise.choice((0, 1, 0x7F, 0x80, 0xFF))
            elif kind == 2:
                length = min(noise.randrange(1, 9), start + size - at)
                data[at : at + length] = noise.choice((b"\0", b"\xff")) * length
            elif kind == 3:
                length = min(noise.randrange(1, 40), start + size - at)
                other = start + noise.randrange(size - length + 1)
                data[at : at + length] = data[other : other + length]
            else:
                data[at : start + size] = bytes(start + size - at)
        files = [file for file in list(DistinctFiles(facts)) if file.path == f"/{name}"]
        assert files
        image = _FailingImage(_FailingView(bytes(data), range(0)), facts)
        for finding in check_contents(image, files=files):
            assert finding.offset is None or 0 <= finding.offset < len(data)
            seen.add(finding.rule)
    assert len(seen) >= 15  # the damage did reach the checks


def test_damage_in_an_archive_after_a_program_has_its_place_in_the_image(
    made: MadeImage, tmp_path: Path
) -> None:
    start = SELF_EXTRACTING.data.index(b"MSCF")
    at = made.file("/DRIVERS/SETUP.EXE") + start + SETUP_CABINET.at("block 0.0")
    findings, _ = check(flip(made.data, at + 20), tmp_path)
    assert at in [finding.offset for finding in findings]


def test_a_cut_zip_after_a_program_has_its_place_in_the_image(tmp_path: Path) -> None:
    program = make_pe().data
    made = make_iso({"SETUP.EXE": program + b"PK\3\4" + bytes(3000)})
    findings, _ = check(made.data, tmp_path)
    start = made.file("/SETUP.EXE")
    found = [item for item in findings if item.rule == "zip-structure-holds"]
    assert [(item.offset, item.length) for item in found] == [(start + len(program), 3004)]


def test_progress_comes_while_a_file_is_read(tmp_path: Path) -> None:
    made = make_iso({"A.CAB": CABINET.data})
    counted: list[int] = []
    with open_image(made.save(tmp_path / "a.iso")) as image:
        list(check_contents(image, on_bytes=counted.append))
    assert counted[0] == HEAD_SIZE
    assert sum(counted) == len(CABINET.data)


def test_an_allowance_to_expand_grows_with_the_file_and_is_spent() -> None:
    """256 MiB, or 64 times the file: our own limit against bombs."""
    assert ExpansionAllowance(4 << 20).left == 256 << 20
    assert ExpansionAllowance(5 << 20).left == 320 << 20
    allowance = ExpansionAllowance(0)
    assert allowance.take(256 << 20)
    assert not allowance.take(1)
    assert allowance.take(0)
