"""The library's answer for a machine is that of the discs, wherever they are now."""

from __future__ import annotations

import shutil
import zipfile
from collections.abc import Iterator, Sequence
from pathlib import Path

import pytest
from msgspec.structs import replace

from driver_examples import inf_text
from made_library import Library, open_library
from make_image import make_iso
from make_wrappings import make_seven_zip, make_zip
from mediashelf.catalogue.bench.session_rows import NoteResult, PreparedSession, SessionDisc
from mediashelf.catalogue.bench.session_store import add_note, record_session
from mediashelf.catalogue.packages.asking import unopened_in
from mediashelf.catalogue.shelves import drop_shelf
from mediashelf.drivers import recorded
from mediashelf.drivers.candidates import Reason, reason_lost
from mediashelf.drivers.coverage import Cover
from mediashelf.drivers.machines.devices import Device, device_from_ids
from mediashelf.drivers.packages.completeness import judge_completeness
from mediashelf.drivers.packages.families import Family, choose_family
from mediashelf.drivers.packages.finding import PackagesFound, find_packages
from mediashelf.drivers.packages.tree import PackageTree, tree_of_disc
from mediashelf.drivers.recorded import EVERY_SYSTEM
from mediashelf.drivers.recorded_values import KeptPackage
from mediashelf.drivers.survey import Survey
from mediashelf.drivers.surveying import survey
from mediashelf.formats.volume import VolumeKind
from mediashelf.jobs.shelves import looking
from mediashelf.jobs.shelves.answering import ShelfAnswer, ask_shelves
from mediashelf.jobs.shelves.nearest import NearKind, nearest
from mediashelf.jobs.shelves.notes import BenchNotes
from mediashelf.jobs.shelves.recording import look_into_images
from mediashelf.trees.disc import DiscTree
from mediashelf.trees.opening import open_tree

BOARD = "PCI\\VEN_F2C4&DEV_0301&SUBSYS_001EF2C4"
CHIP = "PCI\\VEN_F2C4&DEV_0301"
LAN = "PCI\\VEN_F4B9&DEV_0100"
KIND = "PCI\\CC_0300"

NT4, NT5, NT6, WIN9X, DOS = map(choose_family, ("nt4", "nt5", "nt6", "win9x", "dos"))


@pytest.fixture
def library(tmp_path: Path) -> Iterator[Library]:
    with open_library(tmp_path) as opened:
        yield opened


def keep(library: Library, name: str, files: dict[str, str | bytes], **options: object) -> Path:
    """Put an image on the shelf and let a scan look into it."""
    data = {
        path: text.encode("cp1252") if isinstance(text, str) else text
        for path, text in files.items()
    }
    place = library.root / name
    place.write_bytes(make_iso(data, joliet=3, **options).data)  # type: ignore[arg-type]
    library.scan()
    look_into_images(library.catalogue)
    return place


def ask(library: Library, family: Family, *ids: str) -> ShelfAnswer:
    devices = [device_from_ids([one]) for one in ids or (BOARD,)]
    return ask_shelves(library.catalogue, family, family.name, devices)


DECORATED = (
    '[Version]\r\nSignature="$Windows NT$"\r\nClass=Net\r\nProvider=Ternfield\r\n'
    "DriverVer=05/01/2003,5.1.0.1\r\n"
    "[Manufacturer]\r\nTernfield=Models,NT.5.2,NTx86.5.1,NTamd64,NTamd64.6.1\r\n"
    f"[Models]\r\nLAN old=Old,{LAN}\r\n"
    f"[Models.NT.5.2]\r\nLAN server=New,{LAN},{LAN}&CC_0200\r\n"
    f"[Models.NTx86.5.1]\r\nLAN desk=New,,{LAN}\r\n"
    f"[Models.NTamd64]\r\nLAN wide=Wide,{LAN}\r\nLAN generic=Wide,PCI\\CC_0200\r\n"
    f"[Models.NTamd64.6.1]\r\nLAN best=Best,{LAN}&REV_02,{LAN}\r\n"
    "[Old]\r\nCopyFiles=@old.sys\r\n[Old.NT]\r\nCopyFiles=@oldnt.sys\r\n"
    "[New.NT]\r\nCopyFiles=@new.sys\r\n[New.NTx86]\r\nCopyFiles=@new86.sys,@gone.sys\r\n"
    "[Wide.NTamd64]\r\nCopyFiles=@wide.sys\r\nFeatureScore=40\r\n"
    "[Best]\r\nCopyFiles=@wide.sys\r\nCopyINF=more.inf\r\nFeatureScore=0x20\r\n"
    f"ExcludeID={LAN}&REV_03\r\n"
    "[DestinationDirs]\r\nDefaultDestDir=12\r\n"
    "[SourceDisksNames]\r\n1=d\r\n[SourceDisksNames.amd64]\r\n1=d,,,\\x64\r\n"
    "[SourceDisksFiles]\r\nold.sys=1\r\noldnt.sys=1\r\nnew.sys=1\r\nnew86.sys=1\r\nwide.sys=1\r\n"
)
FILES: dict[str, str | bytes] = {
    "LAN/TERN.INF": DECORATED,
    **{f"LAN/{name}.SYS": b"x" for name in ("OLD", "OLDNT", "NEW", "NEW86")},
    "LAN/X64/WIDE.SYS": b"x",
    "LAN/MORE.INF": inf_text(BOARD, signature="$Windows NT$", copies="CopyFiles=@lkv.sys"),
    "VIDEO/LKV.INF": inf_text(f"{CHIP},{KIND}", f"{BOARD}"),
    "VIDEO/LKV.SYS": b"x",
    "GENERIC/ANY.INF": inf_text(KIND, version="01/01/2005,6.0.0.1"),
    "GENERIC/LKV.SYS": b"x",
    "NINE/NINE.INF": inf_text(BOARD, copies="CopyFiles=@lkv.vxd", files="lkv.vxd=1"),
    "NINE/LKV.VXD": b"x",
}
DEVICES = (
    device_from_ids([BOARD + "&REV_02", "PCI\\CC_030000", KIND]),
    device_from_ids([LAN + "&REV_02", "PCI\\CC_020000", "PCI\\CC_0200"]),
    device_from_ids([CHIP]),  # of which board is not known
    device_from_ids(["*PNP0F13"]),
    device_from_ids([LAN + "&REV_03", "PCI\\CC_020000", "PCI\\CC_0200"]),
)


def rows(result: Survey, prefix: str) -> list[list[tuple[object, ...]]]:
    """Everything that is said of each device, whole candidates first."""
    return [
        sorted(
            (
                candidate.match.is_generic,
                bool(result.missing_of(candidate)),
                candidate.rank,
                candidate.feature or 0,
                candidate.match,
                candidate.driver_version,
                candidate.offer.install,
                candidate.offer.model.description,
                candidate.package.path.removeprefix(prefix),
                tuple(result.missing_of(candidate)),
            )
            for candidate in (*cover.candidates, *cover.possible)
        )
        for cover in result.covers
    ]


def with_all_missing(result: Survey, devices: Sequence[Device], family: Family) -> Survey:
    """Ask for each candidate alone, so that what it lacks is looked for."""
    missing = {}
    for cover in result.covers:
        for one in (*cover.candidates, *cover.possible):
            check = judge_completeness(one.package, [one.offer.install], family.system, family)
            missing[one.package, one.offer.install] = [each.label for each in check.missing]
    return replace(result, missing=missing)


def test_every_system_gets_the_same_from_the_shelf_as_from_the_disc(library: Library) -> None:
    place = keep(library, "all.iso", FILES)
    with open_tree(place) as opened:
        assert isinstance(opened, DiscTree)
        image = opened.image
        tree = tree_of_disc("disc", image.facts, [VolumeKind.JOLIET], image.read_file)
        assert tree is not None
        founds = [(tree, find_packages(tree))]
        shelf, found_any = [], []
        for key, family in EVERY_SYSTEM:
            of_disc = survey(founds, family, family.name, DEVICES)
            of_disc = with_all_missing(of_disc, DEVICES, family)
            answer = ask_shelves(library.catalogue, family, family.name, DEVICES)
            shelf.append((key, rows(answer.survey, "home:all.iso:")))
            found_any.append((key, rows(of_disc, "")))
    assert shelf == found_any
    assert len({repr(listed) for _, listed in shelf}) > 5  # systems do differ here


def test_the_place_is_named_and_files_that_lack(library: Library) -> None:
    keep(library, "lan.iso", FILES)
    answer = ask(library, NT5, LAN)
    (cover,) = answer.survey.covers
    assert cover.best is not None
    assert cover.best.package.path == "home:lan.iso:/LAN/TERN.INF"
    assert cover.best.offer.model.description == "LAN desk"
    assert answer.survey.verdicts[0].words == "incomplete, lacks gone.sys"


def test_a_whole_package_goes_before_a_better_ranked_one_that_lacks_files(
    library: Library,
) -> None:
    keep(library, "best.iso", {"V/LKV.INF": inf_text(BOARD)})
    keep(library, "whole.iso", {"V/LKV.INF": inf_text(CHIP), "V/LKV.SYS": b"x"})
    (cover,) = ask(library, WIN9X).survey.covers
    assert [one.package.path for one in cover.candidates] == [
        "home:whole.iso:/V/LKV.INF",
        "home:best.iso:/V/LKV.INF",
    ]
    assert reason_lost(cover.candidates[1], cover.candidates[0]) is Reason.LACKS_FILES


def test_a_generic_package_never_hides_one_that_lacks_files(library: Library) -> None:
    keep(library, "own.iso", {"V/LKV.INF": inf_text(BOARD)})
    keep(library, "kind.iso", {"V/ANY.INF": inf_text(KIND), "V/LKV.SYS": b"x"})
    device = device_from_ids([BOARD], [KIND])
    result = ask_shelves(library.catalogue, WIN9X, "win9x", [device]).survey
    assert result.verdicts[0].words == "incomplete, lacks lkv.sys"


def test_copies_of_an_image_are_looked_into_once_and_told_as_one(library: Library) -> None:
    place = keep(library, "a.iso", {"V/LKV.INF": inf_text(BOARD), "V/LKV.SYS": b"x"})
    shutil.copy(place, library.root / "b.iso")
    library.scan()
    assert look_into_images(library.catalogue).image_count == 0
    keep(library, "c.iso", {"W/LKV.INF": inf_text(BOARD), "W/LKV.SYS": b"x"})
    answer = ask(library, WIN9X)
    (cover,) = answer.survey.covers
    assert cover.best is not None and len(cover.candidates) == 1
    assert cover.best.package.path == "home:a.iso:/V/LKV.INF"
    assert [row.path for row in answer.images[cover.best.package]] == ["a.iso", "b.iso"]
    assert answer.copies[cover.best.package] == ["home:c.iso:/W/LKV.INF"]
    assert not cover.ties


def test_an_image_that_is_here_goes_before_one_that_is_missing(library: Library) -> None:
    first = keep(library, "a.iso", {"V/LKV.INF": inf_text(BOARD), "V/LKV.SYS": b"x"})
    keep(library, "b.iso", {"W/LKV.INF": inf_text(BOARD), "W/LKV.SYS": b"x"})
    first.unlink()
    library.scan()
    (cover,) = ask(library, WIN9X).survey.covers
    assert cover.best is not None
    assert cover.best.package.path == "home:b.iso:/W/LKV.INF"


def test_a_missing_image_still_answers(library: Library) -> None:
    place = keep(library, "a.iso", {"V/LKV.INF": inf_text(BOARD), "V/LKV.SYS": b"x"})
    place.unlink()
    library.scan()
    look_into_images(library.catalogue)
    answer = ask(library, WIN9X)
    assert answer.survey.covers[0].cover is Cover.DRIVER
    assert next(iter(answer.images.values()))[0].state == "missing"


def test_an_image_is_looked_into_again_only_when_its_bytes_are_accepted(library: Library) -> None:
    place = keep(library, "a.iso", {"V/LKV.INF": inf_text(BOARD), "V/LKV.SYS": b"x"})
    assert look_into_images(library.catalogue).image_count == 0
    keep(library, "a.iso", {"V/LKV.INF": inf_text(LAN), "V/LKV.SYS": b"xx"})
    assert ask(library, WIN9X, BOARD).survey.covers[0].cover is Cover.DRIVER  # the record's
    library.accept(str(place))
    assert look_into_images(library.catalogue).image_count <= 1
    assert ask(library, WIN9X, BOARD).survey.covers[0].cover is Cover.NONE
    assert ask(library, WIN9X, LAN).survey.covers[0].cover is Cover.DRIVER
    count = library.catalogue.db.execute(
        "SELECT count(*) FROM packages WHERE kind = 'inf'"
    ).fetchone()[0]
    names = library.catalogue.db.execute("SELECT identifier FROM package_models").fetchall()
    assert (count, names) == (1, [(LAN,)])


def test_nothing_comes_of_an_image_that_cannot_be_read(library: Library) -> None:
    (library.root / "bad.iso").write_bytes(b"no disc at all" * 4000)
    library.scan()
    scan = look_into_images(library.catalogue)
    assert (scan.image_count, scan.package_count) == (1, 0)
    assert ask(library, WIN9X).looked.image_count == 1


def test_a_fault_of_ours_at_one_image_spares_the_others(
    library: Library, monkeypatch: pytest.MonkeyPatch
) -> None:
    (library.root / "a.iso").write_bytes(make_iso({"A.INF": b"[Version]"}).data)
    whole = {"V/LKV.INF": inf_text(BOARD).encode("cp1252"), "V/LKV.SYS": b"x"}
    (library.root / "b.iso").write_bytes(make_iso(whole, joliet=3).data)
    library.scan()
    keep_packages = looking.keep_packages

    def fail(tree: PackageTree, found: PackagesFound) -> Iterator[KeptPackage]:
        if not found.packages:
            raise IndexError("made to fail")
        return keep_packages(tree, found)

    monkeypatch.setattr(looking, "keep_packages", fail)
    look_into_images(library.catalogue)
    assert ask(library, WIN9X).survey.covers[0].cover is Cover.DRIVER
    ((where, reason),) = unopened_in(library.catalogue.db)
    assert (where, "internal error" in reason) == ("home:a.iso", True)


def test_a_package_with_too_many_devices_is_kept_in_part_and_named(
    library: Library, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(recorded, "MOST_IDENTIFIERS", 1)
    keep(library, "a.iso", {"V/LKV.INF": inf_text(BOARD, LAN), "V/LKV.SYS": b"x"})
    first, second = ask(library, WIN9X, BOARD, LAN).survey.covers
    assert (first.cover, second.cover) == (Cover.DRIVER, Cover.NONE)
    ((where, reason),) = unopened_in(library.catalogue.db)
    assert where == "home:a.iso:/V/LKV.INF"
    assert "more devices" in reason


def test_what_no_scan_looked_into_is_counted(library: Library) -> None:
    (library.root / "a.iso").write_bytes(make_iso({"A.TXT": b"x"}).data)
    library.scan()
    assert ask(library, WIN9X).looked.not_yet == 1


def test_packages_of_a_shelf_that_was_dropped_are_not_counted(library: Library) -> None:
    keep(library, "a.iso", {"V/LKV.INF": inf_text(BOARD), "V/LKV.SYS": b"x"})
    looked = ask(library, WIN9X).looked
    assert (looked.image_count, looked.package_count) == (1, 1)
    drop_shelf(library.catalogue, "home")
    looked = ask(library, WIN9X).looked
    assert (looked.image_count, looked.package_count, looked.other_count) == (0, 0, 0)


@pytest.mark.parametrize(
    ("family", "device", "kind", "words"),
    [
        (WIN9X, "PCI\\VEN_F2C4&DEV_0301&SUBSYS_0099F2C4", NearKind.OTHER_BOARD, "f2c4:001e"),
        (NT5, BOARD, NearKind.OTHER_SYSTEM, "for win9x"),
        (DOS, LAN, NearKind.BY_HAND, "DOS driver; its files name the chip"),
        (NT5, LAN, NearKind.BY_HAND, "DOS driver; its files name the chip"),
    ],
)
def test_what_comes_nearest(
    library: Library, family: Family, device: str, kind: NearKind, words: str
) -> None:
    files: dict[str, str | bytes] = {
        "V/LKV.INF": inf_text(BOARD, copies="CopyFiles=@lkv.vxd", files="lkv.vxd=1"),
        "V/LKV.VXD": b"x",
        "DOS/TERN.SYS": b"\xff\xff\xff\xff" + b"\0" * 30,
        "DOS/TERN.TXT": b"For chips F4B9:0100 and later.",
    }
    keep(library, "a.iso", files)
    (near,) = nearest(library.catalogue, family, device_from_ids([device]))
    assert near.kind is kind
    assert words in near.words
    assert near.path.startswith("home:a.iso:/")


def test_notes_of_a_device_stand_beside_it(library: Library) -> None:
    keep(library, "a.iso", {"V/LKV.INF": inf_text(BOARD), "V/LKV.SYS": b"x"})
    (row,) = library.catalogue.images()
    disc = SessionDisc(
        1, "a1", "a.iso", "KIOSK", "drivers", ("win9x", "nt5"), row.size,
        row.digests["xxh3_128"], "00",
    )  # fmt: skip
    prepared = PreparedSession("harbour", "Kiosk", library.root, "2026-01-01T10:00:00Z", (disc,))
    session = record_session(library.catalogue, prepared)
    add_note(
        library.catalogue,
        session.steps[0],
        NoteResult.FAILED,
        system="win9x",
        device="f2c4:0301",
        text="no picture",
    )
    answer = ask(library, WIN9X)
    (cover,) = answer.survey.covers
    notes = BenchNotes(library.catalogue)
    assert cover.best is not None
    (note,) = notes.about(cover, "win9x", answer.images[cover.best.package])
    assert note.is_of_image
    assert note.words.endswith(
        "this image, session harbour: failed on win9x, f2c4:0301: no picture"
    )
    assert notes.about(cover, "nt5", ()) == []


def test_what_waited_for_the_library_is_looked_into_again(
    library: Library, monkeypatch: pytest.MonkeyPatch
) -> None:
    (library.root / "pack.7z").write_bytes(make_seven_zip({"TERN.INF": DECORATED.encode("cp1252")}))
    with monkeypatch.context() as without:
        without.setattr("mediashelf.trees.archives.library.find_spec", lambda name: None)
        library.scan()
        look_into_images(library.catalogue)
    ((_, reason),) = unopened_in(library.catalogue.db)
    assert "a 7z archive needs libarchive" in reason
    library.scan()
    scan = look_into_images(library.catalogue)
    assert (scan.image_count, scan.package_count) == (1, 1)
    assert unopened_in(library.catalogue.db) == []


@pytest.mark.parametrize("is_encrypted", [True, False], ids=["encrypted", "damaged"])
def test_an_inf_that_cannot_be_read_is_said(library: Library, is_encrypted: bool) -> None:
    packed = make_zip({"TERN.INF": DECORATED.encode("cp1252")}, zipfile.ZIP_STORED)
    damaged = packed.replace(b"Ternfield", b"Ternfjeld")
    made = encrypted(packed) if is_encrypted else damaged
    (library.root / "pack.zip").write_bytes(made)
    library.scan()
    look_into_images(library.catalogue)
    ((where, reason),) = unopened_in(library.catalogue.db)
    assert "pack.zip" in where
    assert "TERN.INF" in where + reason


def encrypted(data: bytes) -> bytes:
    """A ZIP archive whose records say that its members are encrypted (APPNOTE 4.4.4, bit 0)."""
    made = bytearray(data)
    for signature, flags in ((b"PK\x03\x04", 6), (b"PK\x01\x02", 8)):
        made[made.index(signature) + flags] |= 1
    return bytes(made)
