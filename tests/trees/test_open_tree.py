"""Folders, images and archives show the same tree, nested ones too, and say what stays closed."""

from __future__ import annotations

import bz2
import gzip
import io
import lzma
import os
import struct
import tarfile
import zipfile
from collections.abc import Callable
from pathlib import Path

import pytest

from make_files import make_pe
from make_image import make_iso
from make_wrappings import WRAPPINGS, make_mszip, make_tar, make_zip
from mediashelf.errors import InputError
from mediashelf.findings import Finding, Severity
from mediashelf.formats.volume import VolumeKind
from mediashelf.trees.as_image import open_as_image
from mediashelf.trees.inside import iter_trees
from mediashelf.trees.members import Bounds, MemberKind, split_name
from mediashelf.trees.opening import open_tree, split_place
from mediashelf.trees.tree import CHUNK, Tree

FILES = {
    "LAN/TERNFLD.INF": b"[Version]\r\nSignature=$CHICAGO$\r\n",
    "LAN/TERNFLD.SYS": bytes(range(256)) * 4500,
    "README.TXT": b"Ternfield LAN",
    "EMPTY.TXT": b"",
}


def image_of(files: dict[str, bytes], **options: object) -> bytes:
    return make_iso(files, **options).data  # type: ignore[arg-type]


def put_folder(top: Path) -> Path:
    for name, data in FILES.items():
        path = top / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data)
    return top


def put_file(path: Path, data: bytes) -> Path:
    path.write_bytes(data)
    return path


def contents(tree: Tree) -> dict[str, bytes]:
    return {one.path: b"".join(tree.stream(one)) for one in tree.members if one.is_file}


@pytest.fixture(params=["folder", *WRAPPINGS])
def place(request: pytest.FixtureRequest, tmp_path: Path) -> Path:
    if request.param == "folder":
        return put_folder(tmp_path / "pack")
    return put_file(tmp_path / request.param, WRAPPINGS[request.param](FILES))


def test_every_wrapping_shows_the_same_files(place: Path) -> None:
    with open_tree(place) as tree:
        assert contents(tree) == FILES
        assert tree.findings == ()
        driver = tree.find(("lan", "TernFld.sys"))
        assert driver is not None
        assert driver.size == len(FILES["LAN/TERNFLD.SYS"])
        assert tree.read(driver, 300) == FILES["LAN/TERNFLD.SYS"][:300]
        assert [len(piece) for piece in tree.stream(driver)] == [CHUNK, driver.size % CHUNK]
        folder = tree.find(("LAN",))
        assert folder is not None
        assert folder.kind is MemberKind.FOLDER


def test_a_folder_of_any_wrapping_is_a_place_of_its_own(place: Path) -> None:
    where = str(place / "LAN") if place.is_dir() else f"{place}:/lan"
    with open_tree(where) as tree:
        assert contents(tree) == {
            name.removeprefix("LAN/"): data for name, data in FILES.items() if "LAN/" in name
        }


def test_what_was_closed_is_not_read(tmp_path: Path) -> None:
    with open_tree(put_file(tmp_path / "pack.zip", make_zip(FILES))) as tree:
        member = tree.members[0]
    with pytest.raises(InputError, match="closed"):
        tree.read(member, 1)


@pytest.mark.parametrize("name", ["pack.zip", "disc.iso"])
def test_a_file_that_changes_is_an_error(tmp_path: Path, name: str) -> None:
    path = tmp_path / name
    path.write_bytes(make_zip(FILES) if name == "pack.zip" else image_of(FILES))
    with open_tree(path) as tree:
        assert tree.file is not None
        tree.file.rest()
        member = next(one for one in tree.members if one.name == "TERNFLD.INF")
        assert tree.read(member, 5) == FILES[member.path][:5]
        tree.file.rest()
        os.utime(path, ns=(1, 1))
        with pytest.raises(InputError, match="changed since it was listed"):
            tree.read(member, 5)
        with pytest.raises(InputError, match="changed while it was read"):
            tree.file.refuse_changed()


def test_nested_wrappings_are_opened_by_their_place(tmp_path: Path) -> None:
    inner = image_of({"PACK.ZIP": make_zip(FILES), "NOTES.TXT": b"notes"})
    path = put_file(tmp_path / "outer.zip", make_zip({"discs/disc.iso": inner}))
    with open_tree(f"{path}:/discs/disc.iso:/PACK.ZIP:/LAN") as tree:
        assert set(contents(tree)) == {"TERNFLD.INF", "TERNFLD.SYS"}
        assert tree.where == f"{path}:/discs/disc.iso:/PACK.ZIP:/LAN"
        assert tree.depth == 2
        assert tree.file is not None
        assert tree.file.path == path


def test_all_nested_trees_are_walked(tmp_path: Path) -> None:
    folder = tmp_path / "drivers"
    folder.mkdir()
    put_file(folder / "a.zip", make_zip({"b.zip": make_zip({"c.iso": image_of(FILES)})}))
    put_file(folder / "data1.cab", b"ISc(" + bytes(60))
    put_file(folder / "cut.zip", make_zip(FILES)[:200])
    put_file(folder / "plain.exe", b"MZ" + bytes(600))
    with open_tree(folder) as tree:
        found = list(iter_trees(tree))
    assert [(one.where, one.form) for one in found if isinstance(one, Tree)] == [
        (str(folder), "folder"),
        (f"{folder}/a.zip", "ZIP archive"),
        (f"{folder}/a.zip:/b.zip", "ZIP archive"),
        (f"{folder}/a.zip:/b.zip:/c.iso", "ISO 9660 image"),
    ]
    closed = [one for one in found if isinstance(one, Finding)]
    assert [(one.rule, one.where) for one in closed] == [
        ("not-opened", f"{folder}/cut.zip"),
        ("not-opened", f"{folder}/data1.cab"),
    ]
    assert "cut short" in closed[0].message
    assert "InstallShield cabinet" in closed[1].message


def test_a_chain_of_wrappings_ends_at_the_bound(tmp_path: Path) -> None:
    data = make_zip({"x.txt": b"x"})
    for _ in range(9):
        data = make_zip({"deeper.zip": data})
    with open_tree(put_file(tmp_path / "outer.zip", data)) as tree:
        found = list(iter_trees(tree, bounds=Bounds(depth=3)))
    assert sum(isinstance(one, Tree) for one in found) == 3
    (finding,) = (one for one in found if isinstance(one, Finding))
    assert "inside 3 others" in finding.message


def test_one_tree_of_a_disc_can_be_asked_for(tmp_path: Path) -> None:
    long_names = {"LAN/TERNFLD.INF": "Ternfield LAN adapter.inf"}
    path = put_file(tmp_path / "disc.iso", image_of(FILES, joliet=True, long_names=long_names))
    with open_tree(path) as tree:
        assert tree.find(("LAN", "Ternfield LAN adapter.inf"))
        assert tree.form == "Joliet image"
    with open_tree(path, kind=VolumeKind.ISO9660) as tree:
        assert tree.find(("LAN", "TERNFLD.INF"))
    with pytest.raises(InputError, match="UDF tree that can be read"):
        open_tree(path, kind=VolumeKind.UDF)


def test_an_image_that_is_cut_says_which_files_lack_bytes(tmp_path: Path) -> None:
    data = image_of({"A.TXT": b"a", "Z.BIN": bytes(500_000)})
    with open_tree(put_file(tmp_path / "cut.iso", data[:-300_000])) as tree:
        refused = {one.name: one.unreadable for one in tree.members}
        assert refused["A.TXT"] is None
        assert refused["Z.BIN"] is not None
        assert "image ends" in refused["Z.BIN"].reason
        with pytest.raises(InputError, match=r"Z\.BIN: cannot be read: the image ends"):
            next(tree.stream(next(one for one in tree.members if one.name == "Z.BIN")))


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"plain text", "is neither a folder nor an image or archive that is known"),
        (b"ISc(" + bytes(60), "is an InstallShield cabinet"),
        (make_zip(FILES)[:300], "cut short"),
    ],
    ids=["text", "InstallShield", "cut"],
)
def test_what_is_not_opened_is_said(tmp_path: Path, data: bytes, words: str) -> None:
    with pytest.raises(InputError, match=words):
        open_tree(put_file(tmp_path / "thing", data))


def test_a_place_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="cannot be opened"):
        open_tree(tmp_path / "nothing.zip")
    path = put_file(tmp_path / "pack.zip", make_zip(FILES))
    with pytest.raises(InputError, match=r"pack\.zip:/WIFI: no such folder in this ZIP archive"):
        open_tree(f"{path}:/WIFI")


def test_places_are_split_at_the_file(tmp_path: Path) -> None:
    path = put_file(tmp_path / "a.iso", b"")
    assert split_place(f"{path}:/A/B:/C") == (path, ("A/B", "C"))
    # The whole of an image; a path of the host has no slash at its end.
    assert split_place(f"{path}:/") == split_place(Path(f"{path}:/")) == (path, ("",))
    assert split_place(str(path)) == (path, ())
    assert split_place("C:/no/such") == (Path("C:/no/such"), ())


@pytest.mark.parametrize(
    "name", ["../x", "a/../../x", "/etc/x", "C:x", "c:\\x", "\\x", "a\0b", "a/" * 200]
)
def test_names_that_lead_elsewhere_are_refused(name: str) -> None:
    with pytest.raises(ValueError, match=r"leads out|levels deep"):
        split_name(name)


def test_hostile_names_of_an_archive_are_left_out_and_said(tmp_path: Path) -> None:
    data = make_zip({"../evil.txt": b"x", "fine.txt": b"y", "C:/drive.txt": b"z"})
    with open_tree(put_file(tmp_path / "pack.zip", data)) as tree:
        assert [one.path for one in tree.members] == ["fine.txt"]
        assert [one.rule for one in tree.findings] == ["member-name-unsafe"] * 2


def test_links_of_a_folder_never_lead_out(tmp_path: Path) -> None:
    folder = put_folder(tmp_path / "pack")
    put_file(tmp_path / "secret.txt", b"secret")
    (folder / "inside.txt").symlink_to(folder / "README.TXT")
    (folder / "outside.txt").symlink_to(tmp_path / "secret.txt")
    (folder / "nothing.txt").symlink_to("no such")
    os.mkfifo(folder / "fifo")
    with open_tree(folder) as tree:
        kinds = {one.path: one.kind for one in tree.members}
        assert kinds["inside.txt"] is MemberKind.FILE
        assert kinds["outside.txt"] is kinds["nothing.txt"] is MemberKind.LINK
        assert kinds["fifo"] is MemberKind.SPECIAL
        assert contents(tree) == FILES | {"inside.txt": FILES["README.TXT"]}


def test_the_number_of_members_is_bounded(tmp_path: Path) -> None:
    path = put_file(tmp_path / "pack.zip", make_zip({f"{n}.txt": b"" for n in range(50)}))
    with open_tree(path, bounds=Bounds(members=20)) as tree:
        assert len(tree.members) == 20
        assert [one.rule for one in tree.findings] == ["listing-incomplete"]


@pytest.mark.parametrize("is_cut", [True, False], ids=["cut", "damaged"])
def test_a_header_that_cannot_be_read_is_not_the_end_of_a_tar(tmp_path: Path, is_cut: bool) -> None:
    made = bytearray(make_tar({"READ.TXT": b"Ternfield", "TERN.INF": b"[Version]"}))
    made[1024 + 20] ^= 0xFF
    (tmp_path / "pack.tar").write_bytes(made[:1400] if is_cut else made)
    with open_tree(tmp_path / "pack.tar") as tree:
        (finding,) = tree.findings
    assert finding.rule == "listing-incomplete"
    assert "damaged after 1 member: no header is at byte 1,024" in finding.message


@pytest.mark.parametrize(
    ("compress", "severity"),
    [
        (gzip.compress, Severity.WARNING),
        (bz2.compress, Severity.WARNING),
        (lzma.compress, Severity.ERROR),
    ],
)
def test_bytes_after_a_compressed_file_are_not_passed_over(
    tmp_path: Path, compress: Callable[[bytes], bytes], severity: Severity
) -> None:
    """gzip and bzip2 take them for garbage and warn, xz for damage (all three run)."""
    first, second = compress(b"driver " * 999), bytearray(compress(b"its other half " * 999))
    (tmp_path / "driver.sys.z").write_bytes(first + second + bytes(512))
    with open_tree(tmp_path / "driver.sys.z") as tree:
        assert tree.findings == ()
        assert tree.members[0].size == 7 * 999 + 15 * 999
    second[0] ^= 1
    (tmp_path / "driver.sys.z").write_bytes(first + second)
    with open_tree(tmp_path / "driver.sys.z") as tree:
        (finding,) = tree.findings
    assert (finding.rule, finding.severity) == ("end-unclear", severity)
    assert f"{len(second)} bytes follow it that are not part of it" in finding.message


@pytest.mark.parametrize("count", [0, 1, 3, 5, 4 + (1 << 15)])
def test_a_zip_that_counts_its_members_wrong_shows_them_and_is_named(
    tmp_path: Path, count: int
) -> None:
    """The end record, 22 bytes at the end: the count of members is there twice, at 8 and 10."""
    data = make_zip(FILES)
    place = put_file(tmp_path / "pack.zip", data)
    with open_tree(place) as tree:
        assert tree.findings == ()
    put_file(place, data[:-14] + struct.pack("<HH", count, count) + data[-10:])
    with open_tree(place) as tree:
        assert contents(tree) == FILES
        assert [one.rule for one in tree.findings] == ["listing-incomplete"]


def test_a_zip_of_more_members_than_its_end_record_can_count(tmp_path: Path) -> None:
    """Writers that know no 64-bit form leave out what 16 bits do not hold (common practice)."""
    place = tmp_path / "pack.zip"
    with zipfile.ZipFile(place, "w") as archive:
        for number in range((1 << 16) + 2):
            archive.writestr(zipfile.ZipInfo(f"{number}"), b"")
    data = place.read_bytes()
    end, end64 = bytearray(data[-22:]), data[-22 - 20 - 56 :]
    (size, offset) = struct.unpack_from("<QQ", end64, 40)
    struct.pack_into("<HHII", end, 8, 2, 2, size, offset)
    place.write_bytes(data[: -22 - 20 - 56] + bytes(end))
    with open_tree(place) as tree:
        assert tree.findings == ()
        assert len(tree.members) == (1 << 16) + 2


@pytest.mark.parametrize("padding", [4, 8, 1 << 18])
def test_zeros_between_the_streams_of_an_xz_file_belong_to_it(tmp_path: Path, padding: int) -> None:
    """The .xz file format 1.0.4, 2.2: stream padding, a multiple of four bytes; xz takes it."""
    first, second = b"driver " * 999, b"its other half " * 999
    data = lzma.compress(first) + bytes(padding) + lzma.compress(second) + bytes(padding)
    with open_tree(put_file(tmp_path / "driver.sys.xz", data)) as tree:
        assert tree.findings == ()
        assert b"".join(tree.stream(tree.members[0])) == first + second


def old_tar(files: dict[str, bytes], size_format: str = "%011o\0") -> bytes:
    """A tar archive of the time before ustar: no magic, and zeros where it would be."""
    made = b""
    for name, data in files.items():
        head = bytearray(512)
        head[: len(name)] = name.encode()
        head[100:124] = b"0000644\0" + b"0000000\0" * 2
        head[124:136] = (size_format % len(data)).encode()
        head[136:148] = b"06545117400\0"
        head[148:156] = b" " * 8
        head[148:156] = b"%06o\0 " % sum(head)
        made += head + data + bytes(-len(data) % 512)
    return made + bytes(1024)


@pytest.mark.parametrize("size_format", ["%011o\0", "%10o  "])
def test_a_tar_without_a_magic_is_told_by_its_checksum(tmp_path: Path, size_format: str) -> None:
    data = old_tar(FILES, size_format)
    with open_tree(put_file(tmp_path / "pack.tar", data)) as tree:
        assert contents(tree) == FILES
        assert tree.findings == ()
    data = data[:20] + b"\1" + data[21:]
    with pytest.raises(InputError, match="is neither a folder"):
        open_tree(put_file(tmp_path / "other.tar", data))


def test_a_hard_link_of_a_tar_is_the_file_that_it_names(tmp_path: Path) -> None:
    path = tmp_path / "pack.tar"
    with tarfile.open(path, "w") as archive:
        for name, linkname in (("A.SYS", ""), ("B/A.SYS", "A.SYS"), ("C.SYS", "NONE.SYS")):
            header = tarfile.TarInfo(name)
            header.type, header.linkname = (tarfile.LNKTYPE if linkname else b"0"), linkname
            header.size = 0 if linkname else 700
            archive.addfile(header, None if linkname else io.BytesIO(b"a" * 700))
    with open_tree(path) as tree:
        assert [one.kind for one in tree.members] == [MemberKind.FILE] * 2 + [MemberKind.LINK]
        assert [b"".join(tree.stream(one)) for one in tree.members[:2]] == [b"a" * 700] * 2


@pytest.mark.parametrize(
    "headers",
    [
        {"GNU.sparse.major": "1", "GNU.sparse.minor": "1", "GNU.sparse.realsize": "5000"},
        {"GNU.sparse.major": "2", "GNU.sparse.minor": "0", "GNU.sparse.realsize": "5000"},
        {"GNU.sparse.realsize": "5000"},
        {"GNU.sparse.size": "5000", "GNU.sparse.numblocks": "1"},
        {"GNU.sparse.map": "0,512,1024,188", "GNU.sparse.size": "5000"},
        {"SCHILY.realsize": "5000"},
        {"SUN.holesdata": " 0 512 1024"},
    ],
    ids=lambda headers: ",".join(headers),
)
def test_a_sparse_member_of_a_tar_is_never_its_packed_bytes(
    headers: dict[str, str], tmp_path: Path
) -> None:
    """GNU tar manual, appendix D, "Storing Sparse Files"; the others' names from memory."""
    path = tmp_path / "pack.tar"
    with tarfile.open(path, "w", format=tarfile.PAX_FORMAT) as archive:
        for name, more, linkname in (
            ("A.SYS", headers, ""),
            ("B.SYS", {}, "A.SYS"),
            ("C.SYS", {"SCHILY.realsize": "700"}, ""),
        ):
            header = tarfile.TarInfo(name)
            header.type, header.linkname = (tarfile.LNKTYPE if linkname else b"0"), linkname
            header.size, header.pax_headers = 0 if linkname else 700, more
            archive.addfile(header, None if linkname else io.BytesIO(b"c" * 700))
    with open_tree(path) as tree:
        sparse, link, plain = tree.members
        for one in (sparse, link):
            assert one.unreadable is not None
            assert (one.unreadable.rule, one.unreadable.reason) == (
                "member-unreadable",
                "it is a sparse file",
            )
        assert b"".join(tree.stream(plain)) == b"c" * 700


def test_a_sparse_member_in_the_old_form_of_gnu_is_named(tmp_path: Path) -> None:
    """GNU tar manual, appendix D, "Old GNU Format": type S, and the map from byte 386 on."""
    header = tarfile.TarInfo("A.SYS")
    header.size = 512
    block = bytearray(header.tobuf(tarfile.GNU_FORMAT))
    block[156:157] = b"S"
    block[386:410] = b"00000001000\x00" * 2
    block[483:495] = b"00000011610\0"
    block[148:156] = b" " * 8
    block[148:156] = b"%06o\0 " % sum(block)
    packed = bytes(block) + b"a" * 512
    with open_tree(put_file(tmp_path / "pack.tar", packed + make_tar({"B.SYS": b"b"}))) as tree:
        sparse, plain = tree.members
        assert (sparse.size, plain.unreadable) == (0o11610, None)
        assert sparse.unreadable is not None
        assert sparse.unreadable.reason == "it is a sparse file"


def test_a_tar_without_its_end_is_named(tmp_path: Path) -> None:
    """POSIX, pax, ustar Interchange Format: two blocks of zeros end an archive."""
    made = make_tar({"A.SYS": bytes(700), "B.SYS": bytes(700)})
    second = made.index(b"B.SYS")
    for end, is_named in ((second, True), (second + 512 + 1024, True), (len(made), False)):
        (tmp_path / "pack.tar").write_bytes(made[:end])
        with open_tree(tmp_path / "pack.tar") as tree:
            assert [one.rule for one in tree.findings] == ["end-unclear"] * is_named
            assert all(one.unreadable is None for one in tree.members)


@pytest.mark.parametrize("blocks", [1, 3000])
def test_what_follows_the_end_of_a_tar_is_not_passed_over(tmp_path: Path, blocks: int) -> None:
    """A header that became zeros ends an archive for every reader, and members follow it.

    Own behaviour; that blocks of zeros are the end is POSIX, pax, ustar Interchange Format.
    """
    made = make_tar({"A.SYS": b"a" * 700, "B.SYS": b"b" * 700, "C.SYS": b"c" * 700})
    second = made.index(b"B.SYS")
    lost = made[:second] + bytes(512 * blocks) + made[second + 512 :]
    assert tarfile.TarFile(fileobj=io.BytesIO(lost)).getnames() == ["A.SYS"]
    with open_tree(put_file(tmp_path / "lost.tar", lost)) as tree:
        (finding,) = tree.findings
    assert (finding.rule, finding.severity) == ("listing-incomplete", Severity.ERROR)
    assert f"members follow its end, from byte {lost.index(b'C.SYS'):,} on" in finding.message
    # After the whole mark of the end, what is left in its record may be of the writer's memory.
    stale = made[:second] + bytes(1024) + made[second:]
    for more in (made + bytes(512 * blocks) + b"more", stale):
        with open_tree(put_file(tmp_path / "more.tar", more)) as tree:
            (finding,) = tree.findings
        assert finding.rule == "end-unclear"
    with open_tree(put_file(tmp_path / "padded.tar", made + bytes(512 * blocks + 3))) as tree:
        assert tree.findings == ()


FAR = b"\xc3" * (3 << 20)
LARGE_PROGRAMS = {
    "at the end": lambda data: make_pe([(".text", FAR)], overlay=data),
    "after more": lambda data: make_pe([(".text", FAR)], overlay=bytes(1 << 20) + data),
    "a resource": lambda data: make_pe([(".text", FAR), (".rsrc", FAR + data), (".data", FAR)]),
    "near": lambda data: make_pe([(".data", data), (".text", FAR)]),
    "far data": lambda data: make_pe([(".text", FAR), (".data", FAR + data), (".reloc", FAR)]),
    "far after": lambda data: make_pe([(".text", FAR)], overlay=FAR + data),
    "own section": lambda data: make_pe([(".text", FAR * 20), ("_pack_", data)], checksum=False),
}


@pytest.mark.parametrize("place", LARGE_PROGRAMS)
def test_a_cabinet_is_found_in_a_large_program(tmp_path: Path, place: str) -> None:
    (tmp_path / "setup.exe").write_bytes(LARGE_PROGRAMS[place](make_mszip(FILES)).data)
    with open_tree(tmp_path / "setup.exe") as tree:
        assert sorted(member.path for member in tree.members if member.is_file) == sorted(FILES)


def test_a_file_of_a_compressed_disc_is_read_from_the_disc_not_from_what_holds_it(
    tmp_path: Path,
) -> None:
    path = tmp_path / "disc.iso.gz"
    path.write_bytes(gzip.compress(make_iso({"A.TXT": b"tide table"}).data))
    with open_as_image(path) as image:
        (entry,) = image.facts.volumes[0].files
        assert image.read_file(entry, 100) == b"tide table"
        assert image.read_file(entry, 4) == b"tide"
