"""Is every file that an INF asks for at its place, under a name that the target sees?"""

from __future__ import annotations

import struct

import pytest

from driver_examples import inf_text, make_tree
from make_cabinet_sets import split_cabinet
from make_files import MSZIP, make_cabinet, make_pe
from mediashelf.drivers.packages.checked_files import FileState, PackageCheck
from mediashelf.drivers.packages.completeness import judge_completeness
from mediashelf.drivers.packages.families import FAMILIES
from mediashelf.drivers.packages.finding import find_packages
from mediashelf.drivers.packages.tree import PackageTree

CHIP = "PCI\\VEN_F2C4&DEV_0301"
NT5 = FAMILIES["nt5"]


def check(tree: PackageTree) -> PackageCheck:
    (package,) = find_packages(tree).packages
    return judge_completeness(package, ["Install"], NT5.system, NT5)


def state(tree: PackageTree) -> tuple[FileState, str]:
    (file,) = check(tree).files
    return file.state, file.path


INF = inf_text(CHIP, files="lkv.sys=1,\\x86", disks="1=disk,,,\\WinNT")


@pytest.mark.parametrize(
    ("path", "expected"),
    [
        # inf-sourcedisksfiles-section: \WinNT and \x86 give \WinNT\x86.
        ("/lkv/WinNT/x86/lkv.sys", FileState.PRESENT),
        ("/lkv/WINNT/X86/LKV.SYS", FileState.PRESENT),
        # SetupDecompressOrCopyFile: then with _ and with $.
        ("/lkv/winnt/x86/lkv.sy_", FileState.COMPRESSED),
        ("/lkv/winnt/x86/LKV.SY$", FileState.COMPRESSED),
        # Above the INF's folder, where any package may have put it.
        ("/WinNT/x86/lkv.sys", FileState.FOUND_ABOVE),
    ],
)
def test_a_file_at_its_place(path: str, expected: FileState) -> None:
    assert state(make_tree({"/lkv/lkv.inf": INF, path: b"x"})) == (expected, path)


@pytest.mark.parametrize(
    "path",
    [
        "/lkv/lkv.sys",
        "/lkv/WinNT/lkv.sys",
        "/lkv/WinNT/x86/lkv.sys_",
        "/lkv/WinNT/x86/lkv.dll",
        "/other/WinNT/x86/lkv.sys",
    ],
)
def test_a_file_elsewhere_is_missing(path: str) -> None:
    result = check(make_tree({"/lkv/lkv.inf": INF, path: b"x"}))
    (missing,) = result.missing
    assert (missing.state, missing.path) == (FileState.MISSING, "/lkv/WinNT/x86/lkv.sys")
    assert missing.elsewhere == (path if path.endswith("lkv.sys") else "")


def test_its_own_name_goes_before_compressed_ones() -> None:
    files = {"/l/lkv.inf": inf_text(CHIP), "/l/lkv.sy_": b"", "/l/lkv.sys": b"full"}
    (file,) = check(make_tree(files)).files
    assert (file.state, file.found_size) == (FileState.PRESENT, 4)


LONG = inf_text(CHIP, copies="CopyFiles=@longfilename.sys", files="longfilename.sys=1")


def test_a_long_name_that_only_joliet_has_is_hidden_from_a_target_without_it() -> None:
    tree = make_tree(
        {"/LKV/LKV.INF": LONG, "/LKV/LONGFI_1.SYS": b"x"},
        hidden={
            "/LKV/LKV.INF": "/Larkspur Video/lkv.inf",
            "/LKV/LONGFI_1.SYS": "/Larkspur Video/LongFileName.sys",
        },
        kind="iso9660",
    )
    assert state(tree) == (FileState.HIDDEN_NAME, "/LKV/LONGFI_1.SYS")
    assert not check(tree).files[0].state.is_usable


def test_the_same_disc_is_whole_for_a_target_with_joliet() -> None:
    tree = make_tree(
        {"/Larkspur Video/lkv.inf": LONG, "/Larkspur Video/LongFileName.sys": b"x"},
        hidden={"/Larkspur Video/lkv.inf": "/LKV/LKV.INF"},
    )
    assert state(tree)[0] is FileState.PRESENT


def test_a_file_only_in_the_joliet_tree() -> None:
    tree = make_tree(
        {"/LKV/LKV.INF": LONG, "-/lkv/longfilename.sys": b"x"},
        hidden={"/LKV/LKV.INF": "/lkv/lkv.inf"},
        kind="iso9660",
    )
    assert state(tree) == (FileState.HIDDEN_NAME, "/lkv/longfilename.sys")


def test_an_inf_only_in_the_joliet_tree() -> None:
    tree = make_tree({"-/lkv/lkv.inf": LONG, "-/lkv/longfilename.sys": b"x"}, kind="iso9660")
    assert state(tree)[0] is FileState.HIDDEN_NAME


def test_a_short_name_where_long_names_are_read() -> None:
    text = inf_text(CHIP, copies="CopyFiles=@longfi_1.sys", files="longfi_1.sys=1")
    tree = make_tree(
        {"/lkv/lkv.inf": text, "/lkv/longfilename.sys": b"x"},
        hidden={
            "/lkv/lkv.inf": "/LKV/LKV.INF",
            "/lkv/longfilename.sys": "/LKV/LONGFI_1.SYS",
        },
    )
    assert state(tree) == (FileState.SHORT_NAME, "/lkv/longfilename.sys")


def cabinet_tree(data: bytes | None) -> PackageTree:
    files: dict[str, str | bytes] = {"/l/lkv.inf": inf_text(CHIP, disks="1=disk,lkv.cab,,\\pack")}
    if data is not None:
        files["/l/pack/lkv.cab"] = data
    return make_tree(files)


def test_files_in_a_cabinet() -> None:
    # inf-sourcedisksnames-section: the second value of a disk may name a cabinet.
    full = make_cabinet([{"LKV.SYS": b"driver"}]).data
    assert state(cabinet_tree(full)) == (FileState.IN_CABINET, "/l/pack/lkv.cab")
    other = make_cabinet([{"other.sys": b"driver"}]).data
    assert state(cabinet_tree(other)) == (FileState.MISSING, "/l/pack/lkv.cab")
    assert state(cabinet_tree(b"no cabinet"))[0] is FileState.CABINET_UNREAD
    for cut in (40, len(full) - 1):
        assert state(cabinet_tree(full[:cut]))[0] is FileState.CABINET_UNREAD
    assert not check(cabinet_tree(full[:-1])).files[0].state.is_usable
    assert state(cabinet_tree(None)) == (FileState.MISSING, "/l/pack/lkv.cab")


def test_a_cabinet_that_goes_on_in_another_one_needs_that() -> None:
    # CFFILE.iFolder FFFE: the file continues in the next cabinet, FFFD: from the previous.
    first = make_cabinet([{"lkv.sys": b"driver"}], following="lkv2.cab", folder_index=0xFFFE).data
    second = make_cabinet([{"lkv.sys": b"driver"}], previous="lkv.cab", folder_index=0xFFFD).data
    files: dict[str, str | bytes] = {"/l/lkv.inf": inf_text(CHIP, disks="1=disk,lkv.cab,,\\pack")}
    alone = make_tree(files | {"/l/pack/lkv.cab": first})
    assert state(alone) == (FileState.CABINET_UNREAD, "/l/pack/lkv.cab")
    whole = make_tree(files | {"/l/pack/lkv.cab": first, "/l/pack/LKV2.CAB": second})
    assert state(whole) == (FileState.IN_CABINET, "/l/pack/lkv.cab")
    cut = make_tree(files | {"/l/pack/lkv.cab": first, "/l/pack/LKV2.CAB": second[:-1]})
    assert state(cut)[0] is FileState.CABINET_UNREAD
    # FFFF: it goes on both ways, so a third is needed.
    made = make_cabinet([{"lkv.sys": b"driver"}], compression=MSZIP).data
    three = split_cabinet(made, (4, 6), ("lkv.cab", "lkv2.cab", "lkv3.cab"))
    in_pack = {f"/l/pack/{name}": data for name, data in three.items()}
    assert state(make_tree(files | in_pack))[0] is FileState.IN_CABINET
    del in_pack["/l/pack/lkv3.cab"]
    assert state(make_tree(files | in_pack))[0] is FileState.CABINET_UNREAD
    # A file that is all in the first one needs no other.
    own = make_cabinet([{"lkv.sys": b"driver"}], following="lkv2.cab").data
    assert state(make_tree(files | {"/l/pack/lkv.cab": own}))[0] is FileState.IN_CABINET


def test_tag_files_and_catalogs() -> None:
    text = inf_text(CHIP, disks="1=disk,lkv.tag").replace(
        "Class=", "CatalogFile=plain.cat\r\nCatalogFile.NT=nt.cat\r\nClass="
    )
    files: dict[str, str | bytes] = {"/l/lkv.inf": text, "/l/lkv.sys": b"x"}
    result = check(make_tree(files))
    assert (result.missing_tags, result.missing_catalog) == (("lkv.tag",), "nt.cat")
    # inf-version-section: beside the INF, not compressed; .nt goes before the plain entry.
    for name, missing in [("plain.cat", "nt.cat"), ("nt.ca_", "nt.cat"), ("NT.CAT", "")]:
        whole = check(make_tree({**files, "/l/LKV.TAG": b"", f"/l/{name}": b"x"}))
        assert (whole.missing_tags, whole.missing_catalog) == ((), missing)


def test_files_of_the_system_are_named_and_not_looked_for() -> None:
    text = inf_text(CHIP, copies="CopyFiles=@usbd.sys\r\nInclude=ks.inf\r\nNeeds=KS.Reg")
    text = text.replace("Class=", "LayoutFile=layout.inf\r\nClass=")
    result = check(make_tree({"/l/lkv.inf": text}))
    (file,) = result.files
    assert (file.state, file.path) == (FileState.FROM_SYSTEM, "layout.inf")
    assert set(result.not_followed) == {"layout.inf", "ks.inf"}
    assert result.missing == ()


def test_plain_files_go_before_a_cabinet_and_a_tag_file_may_be_one() -> None:
    # inf-sourcedisksnames-section: setup looks for the tag, copies plain files, and only
    # then opens the file as a cabinet; it is in the disk's folder or in the root.
    other = make_cabinet([{"other.sys": b"driver"}]).data
    full = make_cabinet([{"lkv.sys": b"driver"}]).data
    inf = inf_text(CHIP, disks="1=disk,lkv.cab,,\\pack")
    plain = {"/l/lkv.inf": inf, "/l/pack/lkv.cab": other, "/l/pack/lkv.sys": b"x"}
    assert state(make_tree(plain)) == (FileState.PRESENT, "/l/pack/lkv.sys")
    in_root = {"/l/lkv.inf": inf, "/l/lkv.cab": full}
    assert state(make_tree(in_root)) == (FileState.IN_CABINET, "/l/lkv.cab")
    tag = {"/l/lkv.inf": inf_text(CHIP, disks="1=disk,disk1"), "/l/disk1": full}
    assert state(make_tree(tag)) == (FileState.IN_CABINET, "/l/disk1")
    assert state(make_tree({**tag, "/l/disk1": b"tag"}))[0] is FileState.MISSING


def lzss(size: int, packed: int) -> bytes:
    """A compressed file that says it holds ``size`` bytes; 17 bytes of it make 48."""
    groups = (b"\0" + b"\0\3" * 8) * (packed // 17 + 1)
    return b"SZDD\x88\xf0\x27\x33A\0" + size.to_bytes(4, "little") + groups[:packed]


def stored(size: int, packed: int) -> bytes:
    """The same in the other form, whose first method does not compress."""
    head = b"KWAJ\x88\xf0\x27\xd1\0\0\x12\0\1\0" + size.to_bytes(4, "little")
    return head + bytes(packed)


@pytest.mark.parametrize(
    ("path", "data", "expected"),
    [
        ("lkv.sys", bytes(45_000), FileState.PRESENT),
        ("lkv.sys", bytes(60_000), FileState.PRESENT),  # a later one; that is a note
        ("lkv.sys", bytes(44_999), FileState.CUT_SHORT),
        ("lkv.sys", b"", FileState.CUT_SHORT),
        # inf-sourcedisksfiles-section: the size is that of the expanded file.
        ("lkv.sy_", lzss(45_000, 20_000), FileState.COMPRESSED),
        ("lkv.sy_", lzss(40_000, 20_000), FileState.CUT_SHORT),
        ("lkv.sy_", lzss(45_000, 1_000), FileState.CUT_SHORT),
        ("lkv.sy_", lzss(45_000, 15_900), FileState.CUT_SHORT),  # 44,894 come out
        ("lkv.sy_", stored(45_000, 45_000), FileState.COMPRESSED),
        ("lkv.sy_", stored(45_000, 44_999), FileState.CUT_SHORT),
        ("lkv.sy_", lzss(45_000, 20_000)[:12], FileState.CUT_SHORT),
        ("lkv.sy_", b"", FileState.CUT_SHORT),
        ("lkv.sy_", make_cabinet([{"lkv.sys": bytes(45_000)}]).data, FileState.COMPRESSED),
        ("lkv.sy_", make_cabinet([{"lkv.sys": bytes(45_000)}]).data[:-1], FileState.CUT_SHORT),
    ],
)
def test_a_file_with_fewer_bytes_than_the_inf_says(
    path: str, data: bytes, expected: FileState
) -> None:
    text = inf_text(CHIP, files="lkv.sys=1,,45000")
    assert state(make_tree({"/l/lkv.inf": text, f"/l/{path}": data})) == (expected, f"/l/{path}")


def test_any_compressed_file_that_ends_too_soon_is_cut() -> None:
    text = inf_text(CHIP, copies="CopyFiles=@lkv.hlp", files="lkv.hlp=1")
    for packed, expected in [(1_700, FileState.COMPRESSED), (1_600, FileState.CUT_SHORT)]:
        tree = make_tree({"/l/lkv.inf": text, "/l/lkv.hl_": lzss(4_800, packed)})
        assert state(tree)[0] is expected


def test_a_short_file_in_a_cabinet() -> None:
    text = inf_text(CHIP, disks="1=disk,lkv.cab", files="lkv.sys=1,,7")
    for size, expected in [(7, FileState.IN_CABINET), (6, FileState.CUT_SHORT)]:
        cabinet = make_cabinet([{"lkv.sys": bytes(size)}]).data
        assert state(make_tree({"/l/lkv.inf": text, "/l/lkv.cab": cabinet}))[0] is expected


def test_files_found_above_count_only_where_they_are_surely_the_packages() -> None:
    inf = inf_text(CHIP, disks="1=disk,lkv.tag,,\\win98")
    # The path counts from the root of the disk, and the file is beside the INF.
    beside = {"/v/win98/lkv.inf": inf, "/v/win98/lkv.sys": b"x"}
    assert state(make_tree(beside))[0] is FileState.OTHER_ROOT
    common = inf_text(CHIP, disks="1=disk,lkv.tag", files="lkv.sys=1,common")
    above = {"/v/a/b/lkv.inf": common, "/v/common/lkv.sys": b"x"}
    assert state(make_tree(above))[0] is FileState.FOUND_ABOVE
    assert [one.needed.name for one in check(make_tree(above)).missing] == ["lkv.sys"]
    # inf-sourcedisksnames-section: a tag file says that this is the disk.
    assert state(make_tree({**above, "/v/lkv.tag": b""}))[0] is FileState.OTHER_ROOT
    assert state(make_tree({**above, "/lkv.tag": b""}))[0] is FileState.FOUND_ABOVE


def test_the_package_of_a_copied_inf_in_a_folder_below() -> None:
    text = inf_text(CHIP, copies="CopyFiles=@lkv.sys\r\nCopyINF=bus\\q.inf")
    other = inf_text("PCI\\VEN_F2C4&DEV_0909", copies="CopyFiles=@q.sys", files="q.sys=1")
    tree = make_tree(
        {"/l/lkv.inf": text, "/l/lkv.sys": b"x", "/l/bus/q.inf": other, "/q.sys": b"x"}
    )
    (package,) = [one for one in find_packages(tree).packages if one.path == "/l/lkv.inf"]
    result = judge_completeness(package, ["Install"], NT5.system, NT5)
    assert [(one.path, one.state) for one in result.files] == [
        ("/l/lkv.sys", FileState.PRESENT),
        ("/l/bus/q.inf", FileState.PRESENT),
        ("/l/bus/q.sys", FileState.MISSING),
    ]


OTHER = "[Version]\r\nSignature=$Windows NT$\r\n[Common]\r\nCopyFiles=@lkv.sys\r\n[List]\r\n"
ENTRY = "[SourceDisksNames]\r\n1=d\r\n[SourceDisksFiles]\r\nmore.sys=1\r\n"


@pytest.mark.parametrize(
    ("copies", "files", "lacks"),
    [
        # inf-copyfiles-directive: a section of this INF; where there is none nothing is shown.
        ("CopyFiles=List", {}, ["[List] (no such section)"]),
        ("CopyFiles=@lkv.sys,List", {}, ["[List] (no such section)"]),
        # An INF of the system may have it, and one of the package is looked into.
        ("CopyFiles=List\r\nInclude=ks.inf", {}, []),
        ("CopyFiles=List\r\nInclude=other.inf", {"/l/other.inf": OTHER}, []),
        (
            "CopyFiles=List\r\nInclude=other.inf",
            {"/l/other.inf": OTHER + "more.sys\r\n" + ENTRY},
            ["more.sys"],
        ),
        # inf-ddinstall-section: Needs names sections of the INFs that Include names.
        ("Needs=Common", {}, ["[Common] (no such section)"]),
        ("Needs=Common\r\nInclude=ks.inf", {}, []),
        ("Needs=Common\r\nInclude=other.inf", {"/l/other.inf": OTHER}, []),
        (
            "Needs=Else\r\nInclude=other.inf",
            {"/l/other.inf": OTHER},
            ["[Else] (no such section)"],
        ),
        ("Needs=Common\r\n[More]\r\nInclude=ks.inf", {}, []),
    ],
)
def test_sections_that_are_named_must_be_there(
    copies: str, files: dict[str, str], lacks: list[str]
) -> None:
    tree = make_tree({"/l/lkv.inf": inf_text(CHIP, copies=copies), "/l/lkv.sys": b"x", **files})
    (package,) = [one for one in find_packages(tree).packages if one.path == "/l/lkv.inf"]
    result = judge_completeness(package, ["Install"], NT5.system, NT5)
    assert [one.label for one in result.missing] == lacks


def test_a_file_is_on_a_disk_that_is_defined() -> None:
    # inf-sourcedisksfiles-section: the disk id is one of SourceDisksNames.
    files: dict[str, str | bytes] = {"/l/lkv.inf": inf_text(CHIP, files="lkv.sys=2")}
    files["/l/lkv.sys"] = b"x"
    assert state(make_tree(files)) == (FileState.NO_DISK, "/l/lkv.sys")
    assert [one.label for one in check(make_tree(files)).missing] == [
        "lkv.sys (on a disk that the INF does not define)"
    ]
    # inf-version-section: the system's layout may define it.
    text = inf_text(CHIP, files="lkv.sys=2").replace("Class=", "LayoutFile=layout.inf\r\nClass=")
    assert state(make_tree({**files, "/l/lkv.inf": text})) == (
        FileState.FROM_SYSTEM,
        "layout.inf",
    )


@pytest.mark.parametrize(
    ("named", "expected"),
    [
        ("lay.inf", (FileState.MISSING, "/l/lkv.sys")),  # no other can tell where it is
        ("lay.inf,layout.inf", (FileState.FROM_SYSTEM, "layout.inf")),
    ],
)
def test_a_layout_of_the_package_without_the_file(
    named: str, expected: tuple[FileState, str]
) -> None:
    text = inf_text(CHIP, files="").replace("Class=", f"LayoutFile={named}\r\nClass=")
    assert state(make_tree({"/l/lkv.inf": text, "/l/lay.inf": ENTRY})) == expected


def test_the_other_disks_of_a_set_are_beside_the_first() -> None:
    # inf-sourcedisksnames-section: setup asks for the disk, and knows it by its tag file.
    text = inf_text(
        CHIP,
        copies="CopyFiles=@lkv.sys,@lkv.dll,@in.dll",
        disks="1=a,disk1.tag\r\n2=b,disk2.tag\r\n3=c,lkv3.cab",
        files="lkv.sys=1\r\nlkv.dll=2,x86\r\nin.dll=3",
    )
    files: dict[str, str | bytes] = {
        "/set/DISK1/lkv.inf": text,
        "/set/DISK1/lkv.sys": b"x",
        "/set/DISK1/disk1.tag": b"",
        "/set/DISK2/x86/lkv.dll": b"x",
        "/set/DISK2/disk2.tag": b"",
        "/set/DISK3/lkv3.cab": make_cabinet([{"in.dll": b"driver"}]).data,
    }
    result = check(make_tree(files))
    assert [one.state for one in result.files] == [
        FileState.PRESENT,
        FileState.OTHER_ROOT,
        FileState.IN_CABINET,
    ]
    assert (result.missing, result.missing_tags) == ((), ())
    # Without its tag nothing shows that the folder is the disk.
    del files["/set/DISK2/disk2.tag"]
    assert [one.label for one in check(make_tree(files)).missing] == ["lkv.dll"]
    # A folder of another set has another place.
    files["/other/DISK2/disk2.tag"] = files["/other/DISK2/x86/lkv.dll"] = b"x"
    assert [one.label for one in check(make_tree(files)).missing] == ["lkv.dll"]


def virtual_driver(pages: int) -> bytes:
    """An LE program of whole pages, whose last byte is the file's."""
    header = bytearray(0x94 + 4 * pages)
    header[:2] = b"LE"
    struct.pack_into("<I16xII", header, 0x14, pages, 4096, 4096)
    struct.pack_into("<III", header, 0x40, len(header) - 4 * pages, 0, len(header) - 4 * pages)
    struct.pack_into("<IIII", header, 0x80, 4096, 0, 0, 0)
    for page in range(pages):
        struct.pack_into(">I", header, 0x94 + 4 * page, (page + 1) << 8)
    stub = struct.pack("<2sHHHH", b"MZ", 0, 1, 0, 4).ljust(24, b"\0") + struct.pack("<H", 64)
    return (stub.ljust(60, b"\0") + struct.pack("<I", 64) + header).ljust(4096, b"\0") + bytes(
        4096 * pages
    )


@pytest.mark.parametrize("program", [make_pe().data, virtual_driver(2)], ids=["PE", "LE"])
def test_a_program_that_is_shorter_than_its_own_header_says_is_cut(program: bytes) -> None:
    """Portable executable and LE formats (from memory): the header places all that is loaded."""
    text = inf_text(CHIP)
    for size, expected in [
        (len(program), FileState.PRESENT),
        (len(program) // 2, FileState.CUT_SHORT),
        (100, FileState.CUT_SHORT),
        (66, FileState.CUT_SHORT),
    ]:
        result = check(make_tree({"/l/lkv.inf": text, "/l/lkv.sys": program[:size]}))
        assert [file.state for file in result.files] == [expected], size
    slow = make_tree({"/l/lkv.inf": text, "/l/lkv.sys": program[:100]}, is_quick=lambda file: False)
    assert state(slow)[0] is FileState.PRESENT


def test_a_whole_program_is_not_cut_whatever_size_the_inf_has() -> None:
    """INF SourceDisksFiles section: the size is a number in a text, perhaps of another version."""
    program = make_pe().data
    text = inf_text(CHIP, files=f"lkv.sys=1,,{len(program) + 1}")
    assert state(make_tree({"/l/lkv.inf": text, "/l/lkv.sys": program}))[0] is FileState.PRESENT
    exe = inf_text(CHIP, files=f"lkv.exe=1,,{len(program) + 1}", copies="CopyFiles=@lkv.exe")
    assert state(make_tree({"/l/lkv.inf": exe, "/l/lkv.exe": program}))[0] is FileState.CUT_SHORT
