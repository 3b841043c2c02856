"""What is audited for names that a person gives, and what is compared without a record."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from audited_tide import MIB
from made_library import DATE, Library, overwrite, tide_image, write
from mediashelf.catalogue.auditing.names import plan_audit
from mediashelf.errors import InputError


def test_an_image_without_a_record(library: Library, tide: Path) -> None:
    new = write(library.root / "new.iso", tide_image(9))
    results = library.audit()
    result = results["home: new.iso"]
    assert result.verdict.state == "unrecorded"
    assert result.verdict.basis == "all bytes read; no recorded digest; structure read"
    assert result.twins == ()
    assert library.catalogue.image_by_path(new) is None  # an audit records nothing


def test_a_copy_elsewhere_is_compared_with_the_record(library: Library, tide: Path) -> None:
    card = library.root.parent / "card"
    copy = write(card / "tide.iso", tide.read_bytes())
    (result,) = library.audit([str(card)]).values()
    assert [twin.path for twin in result.twins] == ["tide.iso"]
    overwrite(copy, 2 * MIB, b"\x00\x01\x02\x03")
    (result,) = library.audit([str(copy)]).values()
    assert result.twins == ()
    (finding,) = result.verdict.findings
    assert finding.rule == "copy-agrees"
    assert "home: tide.iso, but 1 of 4 blocks of 1 MiB differs" in finding.message


def test_a_namesake_with_other_bytes_is_not_called_a_copy(library: Library, tide: Path) -> None:
    other = write(library.root.parent / "card" / "tide.iso", tide_image(77, mebibytes=1))
    (result,) = library.audit([str(other)]).values()
    assert result.verdict.findings == ()


def test_auditing_without_a_catalogue(library: Library, tmp_path: Path) -> None:
    path = write(tmp_path / "apart" / "tide.iso", tide_image())
    (result,) = library.audit([str(path)]).values()
    assert result.job.row is None
    assert result.verdict.state == "unrecorded"


def where(library: Library, *names: str) -> list[str]:
    return [job.where for job in plan_audit(library.catalogue, names)]


def test_what_names_mean(library: Library, monkeypatch: pytest.MonkeyPatch) -> None:
    card = library.add_shelf("card")
    write(library.root / "a" / "tide.iso", tide_image(1))
    write(library.root / "b" / "tide.iso", tide_image(2))
    write(card / "ebb.iso", tide_image(3))
    library.scan()
    write(library.root / "a" / "new.iso", tide_image(4))
    everything = ["card: ebb.iso", "home: a/new.iso", "home: a/tide.iso", "home: b/tide.iso"]
    assert where(library) == everything
    assert where(library, "HOME") == everything[1:]
    assert where(library, str(library.root / "a")) == everything[1:3]
    assert where(library, str(card / "ebb.iso")) == ["card: ebb.iso"]
    assert where(library, "ebb.iso") == ["card: ebb.iso"]
    assert where(library, "b/TIDE.iso") == ["home: b/tide.iso"]
    assert where(library, "home/a/tide.iso") == ["home: a/tide.iso"]
    assert where(library, "card", "ebb.iso", "card") == ["card: ebb.iso"]
    monkeypatch.chdir(library.root)
    assert where(library, "a/tide.iso") == ["home: a/tide.iso"]
    assert where(library, "./b") == ["home: b/tide.iso"]
    with pytest.raises(
        InputError, match=r"matches 2 images \(home: a/tide\.iso, home: b/tide\.iso\)"
    ):
        where(library, "tide.iso")
    with pytest.raises(InputError, match="has this name; did you mean 'card'"):
        where(library, "cart")


def test_a_link_to_a_recorded_image_is_that_image(library: Library, tide: Path) -> None:
    link = library.root.parent / "link.iso"
    link.symlink_to(tide)
    assert where(library, str(link)) == ["home: tide.iso"]


def test_an_explicit_file_is_audited_whatever_it_is(library: Library, tmp_path: Path) -> None:
    path = write(tmp_path / "apart" / "notes.txt", b"no image at all")
    (result,) = library.audit([str(path)]).values()
    assert result.verdict.state == "damaged"
    assert [finding.rule for finding in result.verdict.findings] == ["no-volume"]
    os.mkfifo(tmp_path / "pipe")
    (result,) = library.audit([str(tmp_path / "pipe")]).values()
    assert result.verdict.state == "unreadable"


def test_a_sheet_and_its_raw_image(library: Library) -> None:
    write(library.root / "d.bin", os.urandom(2352 * 30), DATE)
    write(library.root / "d.cue", b'FILE "d.bin" BINARY\n  TRACK 01 AUDIO\n    INDEX 01 00:00:00\n')
    library.scan()
    results = library.audit()
    assert {where: each.verdict.state.value for where, each in results.items()} == {
        "home: d.bin": "sound",
        "home: d.cue": "sound",
    }
