"""Where files come from: CopyFiles, source disks, paths, cabinets, layouts, compressed names."""

from __future__ import annotations

import pytest

from mediashelf.formats.inf.copying import NeededFile
from mediashelf.formats.inf.document import Inf, parse_inf
from mediashelf.formats.inf.requirements import requirements
from mediashelf.formats.inf.source_files import (
    compressed_names,
    join_path,
    normal_disk_id,
    parse_number,
    source_tables,
)
from mediashelf.formats.inf.systems import InfSystem

WIN9X = InfSystem(is_nt=False)
NT51 = InfSystem(True)
AMD64 = InfSystem(True, (6, 1), "amd64")


def needed(text: str, system: InfSystem = NT51, **companions: str) -> dict[str, NeededFile]:
    others: dict[str, Inf] = {
        f"{name}.inf": parse_inf(other.encode()) for name, other in companions.items()
    }
    found = requirements(parse_inf(text.encode()), ["Install"], system, others)
    return {file.name: file for file in found.files}


def test_source_path_example() -> None:
    # inf-sourcedisksfiles-section: disk path \WinNT and subdir \x86 give \WinNT\x86.
    files = needed(
        '[Install]\nCopyFiles=@tern154.sys\n[SourceDisksNames]\n1 = "disc",,,\\WinNT\n'
        "[SourceDisksFiles]\ntern154.sys = 1,\\x86\n"
    )
    assert files["tern154.sys"].path == "WinNT/x86/tern154.sys"


def test_both_forms_of_copy_files() -> None:
    # inf-copyfiles-directive: @file, or list sections with "dest[,[src][,[unused][,flag]]]".
    files = needed(
        "[Install]\nCopyFiles=@one.sys, List\nCopyFiles = Other\n"
        "[List]\ntwo.sys\nnew.dll,old.dll,,0x20 ; renamed\n[Other]\nthree.vxd,,,2\n"
        "[SourceDisksNames]\n1=d\n"
        "[SourceDisksFiles]\none.sys=1\ntwo.sys=1\nold.dll=1,sub\nthree.vxd=1,,4096\n"
    )
    assert {name: file.path for name, file in files.items()} == {
        "one.sys": "one.sys",
        "two.sys": "two.sys",
        "old.dll": "sub/old.dll",
        "three.vxd": "three.vxd",
    }
    assert files["three.vxd"].size == 4096
    assert files["old.dll"].line == 6


@pytest.mark.parametrize(("system", "path"), [(NT51, "i386/a.sys"), (AMD64, "all/a.sys")])
def test_platform_sections_are_looked_up_first(system: InfSystem, path: str) -> None:
    # inf-sourcedisksnames-section: .x86, .ia64, .amd64 (not .ntx86) before the generic one.
    text = (
        "[Install]\nCopyFiles=@a.sys\n"
        "[SourceDisksNames]\n1=d,,,\\all\n[SourceDisksNames.x86]\n1=d,,,\\i386\n"
        "[SourceDisksNames.ntx86]\n1=d,,,\\wrong\n"
        "[SourceDisksFiles]\na.sys=1\n[SourceDisksFiles.ntamd64]\na.sys=1,wrong\n"
    )
    assert needed(text, system)["a.sys"].path == path


def test_cabinets_and_tag_files() -> None:
    # inf-sourcedisksnames-section: the second value is a tag file or a cabinet; flag 0x10
    # says that it is a cabinet and the sixth value a tag file.
    text = (
        "[Install]\nCopyFiles=@a.sys,@b.sys,@c.sys\n[SourceDisksNames]\n"
        "1=d,lkv.cab,,\\pack\n2=d,lkv.tag,,\\plain\n3=d,files,,\\new,0x10,new.tag\n"
        "[SourceDisksFiles]\na.sys=1\nb.sys=2\nc.sys=0x3,deep\n"
    )
    found = requirements(parse_inf(text.encode()), ["install"], NT51)
    assert {file.name: (file.path, file.cabinet) for file in found.files} == {
        "a.sys": ("pack/a.sys", "pack/lkv.cab"),
        "b.sys": ("plain/b.sys", ""),
        "c.sys": ("new/deep/c.sys", "new/files"),
    }
    assert found.tags == ("plain/lkv.tag", "new/new.tag")


def test_co_installers_are_needed_too() -> None:
    files = needed(
        "[Install]\nCopyFiles=@a.sys\n[Install.CoInstallers]\nCopyFiles=@co.dll\n"
        "[SourceDisksNames]\n1=d\n[SourceDisksFiles]\na.sys=1\nco.dll=1\n"
    )
    assert set(files) == {"a.sys", "co.dll"}


def test_layout_of_the_system_is_named() -> None:
    # inf-version-section: LayoutFile names INFs that have the source disk sections.
    files = needed("[Version]\nLayoutFile=layout.inf\n[Install]\nCopyFiles=@usbd.sys\n")
    assert files["usbd.sys"].provider == "layout.inf"


def test_layout_inside_the_package_is_followed() -> None:
    files = needed(
        "[Version]\nLayoutFile=lkvlay.inf\n[Install]\nCopyFiles=@lkv.sys\n",
        lkvlay="[SourceDisksNames]\n7=d,,,\\bin\n[SourceDisksFiles]\nlkv.sys=7\n",
    )
    assert (files["lkv.sys"].path, files["lkv.sys"].provider) == ("bin/lkv.sys", "")


def test_include_and_needs() -> None:
    # inf-ddinstall-section: Include names INFs, Needs names sections in them.
    text = "[Install]\nInclude=lkvcom.inf, ks.inf\nNeeds=LKV.Common, KS.Registration\n"
    common = (
        "[LKV.Common]\nCopyFiles=@common.sys\nNeeds=Install\n"
        "[SourceDisksNames]\n1=d\n[SourceDisksFiles]\ncommon.sys=1\n"
    )
    found = requirements(
        parse_inf(text.encode()), ["Install"], NT51, {"lkvcom.inf": parse_inf(common.encode())}
    )
    assert [file.path for file in found.files] == ["common.sys"]
    assert found.not_followed == ("ks.inf",)


def test_sections_that_need_each_other_end() -> None:
    text = (
        "[Install]\nNeeds=Other\nCopyFiles=@a.sys\n"
        "[Other]\nNeeds=Install, Other\nCopyFiles=@b.sys\n"
    )
    assert set(needed(text)) == {"a.sys", "b.sys"}


@pytest.mark.parametrize(
    ("parts", "joined"),
    [
        (("\\WinNT", "\\x86", "a.sys"), "WinNT/x86/a.sys"),
        (("", "", "a.sys"), "a.sys"),
        (("\\", "sub\\deep\\", "a.sys"), "sub/deep/a.sys"),
        (("/a/./b", "c"), "a/b/c"),
        (("a", "..\\b"), "b"),
        (("..\\..\\..", "etc", "passwd"), "etc/passwd"),
    ],
)
def test_paths_are_joined_and_stay_below_the_root(parts: tuple[str, ...], joined: str) -> None:
    assert join_path(*parts) == joined


@pytest.mark.parametrize(
    ("name", "names"),
    [
        # SetupDecompressOrCopyFile: "cmd.exe", then "cmd.ex_", then "cmd.ex$".
        ("cmd.exe", ("cmd.ex_", "cmd.ex$")),
        # The rest is from memory.
        ("foo.c", ("foo.c_", "foo.c$")),
        ("foo", ("foo._", "foo.$")),
        ("a.b.sys", ("a.b.sy_", "a.b.sy$")),
        ("a.html", ("a.ht_", "a.ht$")),
    ],
)
def test_compressed_names(name: str, names: tuple[str, str]) -> None:
    assert compressed_names(name) == names


@pytest.mark.parametrize(
    ("text", "number"),
    [("10", 10), (" 0x10 ", 16), ("-1", 0), ("1_0", 0), ("١", 0), ("9" * 13, 0), ("", 0)],
)
def test_numbers(text: str, number: int) -> None:
    assert parse_number(text) == number


def test_disk_ids_are_compared_as_numbers() -> None:
    assert normal_disk_id("01") == normal_disk_id("1") == normal_disk_id("0x1") == "1"
    assert normal_disk_id(" Disk ") == "disk"


def test_first_entry_of_a_key_wins() -> None:
    text = b"[SourceDisksNames]\n1=d,,,one\n1=d,,,two\n[SourceDisksFiles]\na.sys=1\na.sys=2\n"
    tables = source_tables(parse_inf(text), ("",))
    assert [file.disk_id for file in tables.files.values()] == ["1"]
    assert [disk.path for disk in tables.disks.values()] == ["one"]


def test_first_suffix_wins() -> None:
    tables = source_tables(
        parse_inf(b"[SourceDisksFiles]\nA.SYS=1\nb.sys=1\n[SourceDisksFiles.x86]\na.sys=2\n"),
        (".x86", ""),
    )
    assert {name: file.disk_id for name, file in tables.files.items()} == {
        "a.sys": "2",
        "b.sys": "1",
    }


ALL = "[SourceDisksNames]\n1=d\n[SourceDisksFiles]\n" + "".join(
    f"{name}=1\n" for name in ("a.sys", "class.dll", "face.dll", "co.dll", "page.cpl")
)


@pytest.mark.parametrize(
    ("more", "system", "expected"),
    [
        # inf-addinterface-directive: {guid}[,[reference][,[add-interface-section]…]].
        (
            "[Install.Interfaces]\nAddInterface={0f2c},,Face\n[Face]\nCopyFiles=@face.dll\n",
            NT51,
            {"face.dll"},
        ),
        (
            "[Install.Interfaces]\nAddInterface={0f2c},,Face\n"
            "[Face]\nCopyFiles=@co.dll\n[Face.NTx86]\nCopyFiles=@face.dll\n",
            NT51,
            {"face.dll"},
        ),
        # inf-interfaceinstall32-section: {guid}=install-interface-section.
        (
            "[InterfaceInstall32]\n{0f2c}=Face\n[Face.NT]\nCopyFiles=@face.dll\n",
            NT51,
            {"face.dll"},
        ),
        # inf-classinstall32-section, with the suffixes of install sections.
        ("[ClassInstall32]\nCopyFiles=@class.dll\n", NT51, {"class.dll"}),
        (
            "[ClassInstall32]\nCopyFiles=@co.dll\n[ClassInstall32.NT]\nCopyFiles=@class.dll\n",
            NT51,
            {"class.dll"},
        ),
        ("[ClassInstall32.NTamd64]\nCopyFiles=@class.dll\n", NT51, set()),
        # The 9x DDK, "Class Install Section": CopyFiles=@Sample.cpl.
        ("[ClassInstall]\nCopyFiles=@page.cpl\n", WIN9X, {"page.cpl"}),
        ("[ClassInstall]\nCopyFiles=@page.cpl\n", NT51, set()),
        ("[ClassInstall32]\nCopyFiles=@class.dll\n", WIN9X, set()),
        ("[Install.CoInstallers]\nCopyFiles=@co.dll\n", NT51, {"co.dll"}),
        # A section that nothing names asks for nothing.
        ("[Face]\nCopyFiles=@face.dll\n", NT51, set()),
    ],
)
def test_sections_beside_the_install_section(
    more: str, system: InfSystem, expected: set[str]
) -> None:
    files = needed(f"[Install]\nCopyFiles=@a.sys\n{more}{ALL}", system)
    assert set(files) == {"a.sys", *expected}


COPIED = (
    "[Version]\nSignature=$Windows NT$\n[Manufacturer]\nQ=Models\n[Models]\nx=Go,PCI\\X\n"
    "[Go]\nCopyFiles=@q.sys\n[Go.CoInstallers]\nCopyFiles=@qco.dll\n"
    "[SourceDisksNames]\n1=d,,,\\bin\n[SourceDisksFiles]\nq.sys=1\nqco.dll=1\n"
)


def test_an_inf_that_is_copied_brings_its_package() -> None:
    # inf-copyinf-directive: beside the INF, or below it with a relative path; its whole
    # package is needed, whose files count from its own folder.
    text = "[Install]\nCopyFiles=@a.sys\nCopyINF=Sub\\q.inf, gone.inf\n"
    others = {"sub/q.inf": parse_inf(COPIED.encode())}
    inf = parse_inf((text + ALL).encode())
    found = requirements(inf, ["Install"], NT51, others)
    paths = ["a.sys", "Sub/q.inf", "gone.inf", "Sub/bin/q.sys", "Sub/bin/qco.dll"]
    assert sorted(file.path for file in found.files) == sorted(paths)
    # Since 5.1 only.
    for system in (WIN9X, InfSystem(True, (5, 0))):
        found = requirements(inf, ["Install"], system, others)
        assert [file.path for file in found.files] == ["a.sys"]


def test_infs_that_copy_each_other_end() -> None:
    inf = parse_inf((COPIED + "[Go]\nCopyINF=q.inf\n").encode())
    found = requirements(inf, ["Go"], NT51, {"q.inf": inf})
    assert {file.path for file in found.files} == {"bin/q.sys", "bin/qco.dll", "q.inf"}


def test_what_is_before_a_sign_of_equality_is_no_part_of_a_line_that_copies() -> None:
    # Wine's SetupAPI (8.0, tried): the fields of the line count from there.
    files = needed("[Install]\nCopyFiles=L\n[L]\na.sys = b.sys\n,c.sys\n= d.sys,e.sys\nf.sys =\n")
    assert list(files) == ["b.sys", "c.sys", "e.sys"]


SERVICE = "[Install.Services]\nAddService=x,2,S\n[S]\nServiceBinary=%12%\\Lkv.sys\n"


def test_a_service_whose_driver_nothing_copies_needs_that_of_the_system() -> None:
    # INF AddService directive: ServiceBinary is where the driver is; it copies nothing.
    (file,) = needed(f"[Install]\n{SERVICE}").values()
    assert (file.name, file.provider) == ("Lkv.sys", "the system itself")
    (file,) = needed("[Install]\n" + SERVICE.replace("es]\n", "es]\nInclude=base.inf\n")).values()
    assert (file.name, file.provider) == ("Lkv.sys", "base.inf")
    for copies in ("@lkv.sys", "L\n[L]\nLKV.SYS,lkvnt.sys"):
        (file,) = needed(f"[Install]\nCopyFiles={copies}\n{SERVICE}").values()
        assert (file.name, file.provider) == (copies.rpartition(",")[2].strip("@"), "")
    program = SERVICE.replace("Lkv.sys", "lkvsvc.exe -x")
    assert needed(f"[Install]\n{program}") == needed(f"[Install]\n{SERVICE}", WIN9X) == {}


def test_a_list_that_only_an_inf_from_outside_may_have_is_not_passed_over() -> None:
    # INF DDInstall section: Include names INFs of the system, which are not here to be looked into.
    (file,) = needed("[Install]\nInclude=base.inf\nCopyFiles=Gone\n").values()
    assert (file.name, file.provider, file.fault) == ("[Gone]", "base.inf", None)
