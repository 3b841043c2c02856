"""Checksum lists inside an image: compared with the files beside them."""

from __future__ import annotations

import hashlib
from pathlib import Path

from image_contents import CABINET, TEXT, check, listed
from make_image import flip, make_iso
from mediashelf.findings import Severity
from mediashelf.formats.packed.signatures import ContentFormat


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
