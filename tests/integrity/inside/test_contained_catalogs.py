"""Catalogs of driver packages on a disc, and the files beside them.

The digest of a program is computed here by walking its sections, as "PE Format", Appendix A
("Calculating Authenticode PE Image Hash") has it, and not by leaving bytes out.
"""

from __future__ import annotations

import hashlib
import struct
from pathlib import Path

import pytest

from byte_views import BytesView
from make_catalog import Member, make_catalog, oid
from make_files import MadeFile, make_pe
from make_image import flip, make_iso
from mediashelf.findings import Finding, Severity
from mediashelf.formats.packed.portable_executable import image_ranges, read_portable_executable
from mediashelf.formats.packed.signatures import ContentFormat
from mediashelf.image import open_image
from mediashelf.integrity.inside.contents import ContentsReport, check_contents
from mediashelf.integrity.inside.selfchecks.faults import Tally

INF = b'[Version]\r\nSignature="$CHICAGO$"\r\nCatalogFile=lkvx3.cat\r\n'
DRIVER = make_pe(subsystem=1, checksum=False)
TALL_DRIVER = make_pe(wide=True, checksum=False, certificates=b"certificates 16b")


def image_digest(made: MadeFile, algorithm: str) -> bytes:
    """Steps 3 to 13 of the appendix: the header around its two fields, then every section."""
    data, pe = made.data, made.at("pe")
    optional = pe + 24
    is_wide = data[optional : optional + 2] == b"\x0b\x02"
    entry = optional + (144 if is_wide else 128)
    (headers_size,) = struct.unpack_from("<I", data, optional + 60)
    hasher = hashlib.new(algorithm)
    hasher.update(data[: optional + 64])
    hasher.update(data[optional + 68 : entry])
    hasher.update(data[entry + 8 : headers_size])
    (count, table_size) = struct.unpack_from("<H12xH", data, pe + 6)
    table = optional + table_size
    sections = [struct.unpack_from("<16xII", data, table + 40 * n) for n in range(count)]
    for size, offset in sorted(sections, key=lambda section: section[1]):
        hasher.update(data[offset : offset + size])
    return hasher.digest()


@pytest.mark.parametrize(
    ("driver", "digest"),
    [
        (DRIVER, "505f36ce6222493940a69da6f9b0ea400fa62425083a8a1eded5b7608bc5614b"),
        (
            make_pe(wide=True, checksum=False),
            "7029af0a0d876e70caf4400627107d30b2d6a0762aa1a1d3d4dd564eca75c508",
        ),
    ],
    ids=["narrow", "wide"],
)
def test_digest_of_a_program_is_that_of_a_signing_program(driver: MadeFile, digest: str) -> None:
    """osslsigncode 2.9 signed these two, and put these digests into the signatures."""
    assert image_digest(driver, "sha256").hex() == digest
    view = BytesView(driver.data)
    (ranges,) = image_ranges(read_portable_executable(view, driver.at("pe")), view.size)
    read = b"".join(driver.data[start:end] for start, end in ranges)
    assert hashlib.sha256(read).hexdigest() == digest


def catalog(driver: MadeFile = DRIVER, inf: bytes = INF, algorithm: str = "sha1") -> bytes:
    version = 1 if algorithm == "sha1" else 2
    return make_catalog(
        [
            Member("lkvx3.inf", hashlib.new(algorithm, inf).digest(), version),
            Member("lkvx3.sys", image_digest(driver, algorithm), version, is_program=True),
        ]
    )


def check(files: dict[str, bytes], folder: Path, **options: object) -> tuple[list[Finding], Tally]:
    made = make_iso(files, **options)  # type: ignore[arg-type]
    path = folder / "disc.iso"
    path.write_bytes(made.data)
    report = ContentsReport()
    with open_image(path) as image:
        findings = list(check_contents(image, report=report))
    return findings, report.tallies[ContentFormat.CATALOG]


def package(driver: bytes = DRIVER.data, inf: bytes = INF, **others: bytes) -> dict[str, bytes]:
    files = {"VIDEO/LKVX3.INF": inf, "VIDEO/LKVX3.SYS": driver, "VIDEO/LKVX3.CAT": catalog()}
    return files | {f"VIDEO/{name.replace('_', '.')}": data for name, data in others.items()}


@pytest.mark.parametrize("driver", [DRIVER, TALL_DRIVER], ids=["narrow", "wide and signed"])
@pytest.mark.parametrize("algorithm", ["sha1", "sha256"])
def test_files_with_the_digests_of_their_catalog(
    driver: MadeFile, algorithm: str, tmp_path: Path
) -> None:
    files = package(driver.data) | {"VIDEO/LKVX3.CAT": catalog(driver, algorithm=algorithm)}
    findings, tally = check(files, tmp_path)
    assert findings == []
    assert (tally.files, tally.faulty_files) == (1, 0)
    assert tally.verified == {"files by their digest": 2}
    assert tally.unverified == {"signatures": 1}


@pytest.mark.parametrize("name", ["LKVX3.SYS", "LKVX3.INF"])
def test_one_flipped_byte_is_named(name: str, tmp_path: Path) -> None:
    files = package()
    files[f"VIDEO/{name}"] = flip(files[f"VIDEO/{name}"], 20)
    findings, tally = check(files, tmp_path)
    (finding,) = findings
    assert (finding.rule, finding.severity) == ("file-matches-its-catalog", Severity.ERROR)
    assert finding.where == f"/VIDEO/{name}"
    assert finding.message == "the sha1 digest is not the one in /VIDEO/LKVX3.CAT"
    whole = hashlib.sha1(files["VIDEO/LKVX3.INF"]).hexdigest()
    image = image_digest(MadeFile(files["VIDEO/LKVX3.SYS"], DRIVER.places), "sha1").hex()
    assert finding.found == (whole if name == "LKVX3.INF" else image)
    assert finding.length == len(files[f"VIDEO/{name}"])
    assert tally.verified == {"files by their digest": 1}


@pytest.mark.parametrize("place", ["checksum", "certificate entry"])
def test_fields_that_signing_changes_do_not_count(place: str, tmp_path: Path) -> None:
    at = DRIVER.at("pe") + 24 + (64 if place == "checksum" else 128)
    ranges = image_ranges(
        read_portable_executable(BytesView(DRIVER.data), DRIVER.at("pe")), len(DRIVER.data)
    )
    assert len(ranges) == 1
    assert not any(start <= at < end for start, end in ranges[0])
    size = 4 if place == "checksum" else 8
    assert sum(end - start for start, end in ranges[0]) == len(DRIVER.data) - 12
    assert all(end <= at or start >= at + size for start, end in ranges[0])


def test_data_after_the_last_section_is_read_both_ways_or_not_judged(tmp_path: Path) -> None:
    longer = make_pe(subsystem=1, checksum=False, overlay=b"serial number 07")
    sections_only = catalog(longer)
    findings, tally = check(package(longer.data) | {"VIDEO/LKVX3.CAT": sections_only}, tmp_path)
    assert (findings, tally.verified["files by their digest"]) == ([], 2)
    findings, tally = check(
        package(flip(longer.data, len(longer.data) - 1)) | {"VIDEO/LKVX3.CAT": sections_only},
        tmp_path,
    )
    assert (findings, tally.verified["files by their digest"]) == ([], 2)
    at = longer.at("data .text")
    findings, tally = check(
        package(flip(longer.data, at)) | {"VIDEO/LKVX3.CAT": sections_only}, tmp_path
    )
    assert findings == []
    assert tally.unverified["programs with data after their last section"] == 1


def test_any_catalog_beside_it_speaks_for_a_file(tmp_path: Path) -> None:
    """A folder holds catalogs of several systems, and they disagree about its INF."""
    other = catalog(make_pe((("other", b"x" * 600),)), b"another INF")
    findings, tally = check(package(OTHER_CAT=other), tmp_path)
    assert (findings, tally.verified["files by their digest"]) == ([], 2)
    damaged = package(flip(DRIVER.data, 20), OTHER_CAT=other)
    (finding,), _ = check(damaged, tmp_path)
    assert finding.message == (
        "the sha1 digest is not the one in /VIDEO/LKVX3.CAT or 1 more beside it"
    )


def test_members_elsewhere_are_counted_and_not_followed(tmp_path: Path) -> None:
    files = package()
    files["OTHER/LKVX3.SYS"] = b"another file"
    del files["VIDEO/LKVX3.SYS"]
    findings, tally = check(files, tmp_path)
    assert findings == []
    assert tally.unverified == {"signatures": 1, "members that are not beside their catalog": 1}
    leading_out = make_catalog([Member("..\\OTHER\\LKVX3.SYS", bytes(20)), Member("", bytes(20))])
    findings, tally = check(files | {"VIDEO/LKVX3.CAT": leading_out}, tmp_path)
    assert findings == []
    assert tally.unverified["members that are not beside their catalog"] == 2


def test_long_names_are_found_in_the_tree_that_has_them(tmp_path: Path) -> None:
    files = {"VIDEO/LARKSPUR.INF": INF, "VIDEO/LARKSPUR.CAT": b""}
    names = {"VIDEO/LARKSPUR.INF": "larkspur video.inf"}
    digest = hashlib.sha1(INF).digest()
    files["VIDEO/LARKSPUR.CAT"] = make_catalog([Member("larkspur VIDEO.inf", digest)])
    findings, tally = check(files, tmp_path, joliet=3, long_names=names)
    assert (findings, tally.verified) == ([], {"files by their digest": 1})
    files["VIDEO/LARKSPUR.INF"] = flip(INF, 3)
    (finding,), _ = check(files, tmp_path, joliet=3, long_names=names)
    assert finding.where == "/VIDEO/larkspur video.inf"


def test_emptied_file_is_told_from_other_empty_ones(tmp_path: Path) -> None:
    empty = make_catalog(
        [Member("notes.txt", hashlib.sha1().digest()), Member("lkvx3.inf", bytes(20))]
    )
    files = package(inf=b"", NOTES_TXT=b"") | {"VIDEO/LKVX3.CAT": empty}
    (finding,), tally = check(files, tmp_path)
    assert finding.where == "/VIDEO/LKVX3.INF"
    assert tally.verified == {"files by their digest": 1}


def test_damaged_catalog_is_named(tmp_path: Path) -> None:
    whole = catalog()
    at = whole.index(oid("1.3.6.1.4.1.311.12.2.1"))
    files = package() | {"VIDEO/LKVX3.CAT": flip(whole, at)}
    (finding,), tally = check(files, tmp_path)
    assert (finding.rule, finding.where) == ("catalog-structure-holds", "/VIDEO/LKVX3.CAT")
    assert tally.faulty_files == 1


def two_processors(narrow: bytes = DRIVER.data, tall: bytes = TALL_DRIVER.data) -> dict[str, bytes]:
    """A package as many are: texts and catalog above, a program of one name for each processor."""
    members = [
        Member("lkvx3.inf", hashlib.sha1(INF).digest()),
        Member("lkvx3.sys", image_digest(DRIVER, "sha1"), is_program=True),
        Member("lkvx3.sys", image_digest(TALL_DRIVER, "sha1"), is_program=True),
        Member("i386\\quillon.dat", hashlib.sha1(b"sound").digest()),
    ]
    return {
        "VIDEO/LKVX3.INF": INF,
        "VIDEO/LKVX3.CAT": make_catalog(members),
        "VIDEO/I386/LKVX3.SYS": narrow,
        "VIDEO/I386/QUILLON.DAT": b"sound",
        "VIDEO/X64/FREE/LKVX3.SYS": tall,
    }


def test_members_are_found_in_the_folders_of_their_package(tmp_path: Path) -> None:
    findings, tally = check(two_processors(), tmp_path)
    assert findings == []
    assert tally.verified == {"files by their digest": 4}
    assert tally.unverified == {"signatures": 1}


@pytest.mark.parametrize(
    "path", ["VIDEO/I386/LKVX3.SYS", "VIDEO/X64/FREE/LKVX3.SYS", "VIDEO/I386/QUILLON.DAT"]
)
def test_one_flipped_byte_in_a_folder_of_the_package_is_named(path: str, tmp_path: Path) -> None:
    files = two_processors()
    files[path] = flip(files[path], 3 if path.endswith("DAT") else 20)
    (finding,), tally = check(files, tmp_path)
    assert (finding.rule, finding.where) == ("file-matches-its-catalog", f"/{path}")
    assert tally.verified == {"files by their digest": 3}


def test_a_file_that_no_member_may_mean_is_not_blamed(tmp_path: Path) -> None:
    files = two_processors() | {"VIDEO/ARM/LKVX3.SYS": b"of a system without catalogs"}
    findings, tally = check(files, tmp_path)
    assert (findings, tally.verified["files by their digest"]) == ([], 4)
    files["VIDEO/I386/LKVX3.SYS"] = flip(DRIVER.data, 20)
    findings, tally = check(files, tmp_path)
    assert findings == []  # one member, and two files that it may mean
    assert tally.unverified["members that may be any of several files"] == 2


def test_a_package_inside_another_has_its_own_catalog(tmp_path: Path) -> None:
    inner = {f"OUTER/{path}": data for path, data in package(flip(DRIVER.data, 20)).items()}
    findings, tally = check(inner | {"OUTER/LKVX3.CAT": catalog()}, tmp_path)
    assert [finding.where for finding in findings] == ["/OUTER/VIDEO/LKVX3.SYS"]
    assert tally.unverified["members that are not beside their catalog"] == 2
