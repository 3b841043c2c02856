"""Contents of damaged and hostile images: no error, no hang, memory and time within bounds."""

from __future__ import annotations

import gzip
import io
import random
import tracemalloc
import zipfile
from pathlib import Path

import pytest

from byte_views import BytesView
from image_contents import FILES, SELF_EXTRACTING, SETUP_CABINET, TEXT, check, listed
from make_files import make_cabinet, make_pe
from make_image import MadeImage, flip, make_iso
from mediashelf.findings import Severity
from mediashelf.formats.disc import read_disc
from mediashelf.formats.volume import DiscFacts, Entry, Extent, VolumeFacts, VolumeKind
from mediashelf.image import open_image
from mediashelf.integrity.inside.content_files import DistinctFiles
from mediashelf.integrity.inside.contents import MAX_FAULTS_PER_FILE, ContentsReport, check_contents
from mediashelf.integrity.inside.selfchecks.faults import ExpansionAllowance


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


@pytest.mark.parametrize("padding", [0, 512, 1000])
def test_a_cut_archive_after_a_program_has_its_place_in_the_image(
    tmp_path: Path, padding: int
) -> None:
    program = make_pe().data + bytes(padding)
    made = make_iso({"SETUP.EXE": program + b"PK\3\4" + bytes(3000)})
    findings, _ = check(made.data, tmp_path)
    start = made.file("/SETUP.EXE") + len(program)
    found = [item for item in findings if item.rule == "zip-structure-holds"]
    assert [(item.offset, item.length) for item in found] == [(start, 3004)]
    cabinet = SETUP_CABINET
    made = make_iso({"SETUP.EXE": program + flip(cabinet.data, cabinet.at("block 0.0") + 20)})
    findings, _ = check(made.data, tmp_path)
    assert start + cabinet.at("block 0.0") in [item.offset for item in findings]


def test_an_allowance_to_expand_grows_with_the_file_and_is_spent() -> None:
    """256 MiB, or 64 times the file: our own limit against bombs."""
    assert ExpansionAllowance(4 << 20).left == 256 << 20
    assert ExpansionAllowance(5 << 20).left == 320 << 20
    allowance = ExpansionAllowance(0)
    assert allowance.take(256 << 20)
    assert not allowance.take(1)
    assert allowance.take(0)
