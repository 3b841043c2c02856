"""What Windows' own SetupAPI finds for a device in an INF, and what we find.

The driver search by identifiers, the install section with its suffix, and the sources of
add-interface sections, class sections, co-installers and several disks, on invented INFs
that each exercise a published rule. A witness: where it runs under Wine it is Wine's
SetupAPI, and where that differs the published page decides.
"""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from driver_examples import make_tree
from mediashelf.drivers.coverage import OfferIndex
from mediashelf.drivers.machines.devices import Device
from mediashelf.drivers.machines.identifiers import Identifier, Identifiers
from mediashelf.drivers.packages.families import choose_family
from mediashelf.drivers.packages.finding import Offer, Package, find_packages, suitability
from mediashelf.formats.inf.copying import sections_of_class, sections_of_install
from mediashelf.formats.inf.document import parse_inf
from mediashelf.formats.inf.requirements import requirements
from mediashelf.formats.inf.source_files import source_tables
from mediashelf.formats.inf.systems import find_install_section

if sys.platform != "win32":
    pytest.skip("SetupAPI is a part of Windows", allow_module_level=True)

import ctypes

from setupapi_calls import FoundDriver, queued, search, section_with_suffix, source_location

FAMILY = choose_family("nt6", release=(10, 0), architecture="amd64")
SYSTEM = FAMILY.system
IS_WINE = hasattr(ctypes.WinDLL("ntdll"), "wine_get_version")

HEAD = (
    '[Version]\nSignature="$Windows NT$"\nClass=MEDIA\nProvider=Quillon\n'
    "DriverVer=05/01/2003,5.1.0.1\n[DestinationDirs]\nDefaultDestDir=12\n"
    "[SourceDisksNames]\n1=d\n2=e,,,\\sub\n[SourceDisksNames.amd64]\n3=f,,,\\wide\n"
    "[SourceDisksFiles]\na.sys=1\nb.dll=2\nc.dll=2,x64\n[SourceDisksFiles.amd64]\nd.dll=3\n"
)
BOARD = "PCI\\VEN_F3D7&DEV_1600&SUBSYS_0001F3D7"
CHIP = "PCI\\VEN_F3D7&DEV_1600"
KIND = "PCI\\CC_0401"


def write(folder: Path, text: str) -> Path:
    path = folder / "quillon.inf"
    path.write_bytes((HEAD + text).replace("\n", "\r\n").encode("ascii"))
    return path


def package_of(path: Path) -> Package:
    tree = make_tree({"/quillon.inf": path.read_bytes()})
    (package,) = find_packages(tree).packages
    return package


def ours(path: Path, hardware: list[str], compatible: list[str]) -> list[FoundDriver]:
    """Return every entry that names the device, the one that wins first."""
    package = package_of(path)
    offers = suitability(package, FAMILY).offers
    wanted = {*hardware, *compatible}
    naming = [
        offer for offer in offers if wanted & {offer.model.hardware_id, *offer.model.compatible_ids}
    ]
    lists = Identifiers(
        tuple(Identifier(text, number) for number, text in enumerate(hardware)),
        tuple(Identifier(text, number) for number, text in enumerate(compatible)),
    )
    best = OfferIndex([(package, offers)], FAMILY).cover(Device(lists)).best
    naming.sort(key=lambda offer: best is None or offer != best.offer)
    return [_shown(offer) for offer in naming]


def _shown(offer: Offer) -> FoundDriver:
    return FoundDriver(offer.model.description, offer.model.install)


MODELS = (
    "[Manufacturer]\nQuillon=Models,NTamd64\n[Models.NTamd64]\n"
    f"kind=I3,{KIND}\nboard by compatible id=I4,,{BOARD}\nchip=I1,{CHIP}\n"
    f"board=I2,{BOARD}\nchip by compatible id=I5,*QLN0001,{CHIP}\n"
    "[I1]\nCopyFiles=@a.sys\n[I2.NT]\nCopyFiles=@b.dll\n[I2.NTamd64]\nCopyFiles=@c.dll\n"
    "[I3]\n[I4]\n[I5]\n"
)


# identifier-score--windows-vista-and-later-: the four bands, and the places in the lists.
@pytest.mark.parametrize(
    ("hardware", "compatible", "best"),
    [
        ([BOARD, CHIP], [KIND], "board"),
        ([BOARD + "&REV_01", CHIP], [KIND], "chip"),
        ([BOARD + "&REV_01"], [CHIP, KIND], "chip"),
        ([BOARD + "&REV_01"], [KIND], "kind"),
        (["*QLN0001"], [CHIP], "chip by compatible id"),
        (["*QLN0002"], [], None),
    ],
)
def test_the_same_driver_wins(
    tmp_path: Path, hardware: list[str], compatible: list[str], best: str | None
) -> None:
    path = write(tmp_path, MODELS)
    found, theirs = ours(path, hardware, compatible), search(path, hardware, compatible)
    assert (found[0].description if found else None) == best
    assert found[:1] == theirs[:1]
    assert set(found) == set(theirs)


# inf-manufacturer-section: which models section is read. The last value tells where Wine 8
# differs from the page: it does not read versions, product types and suites.
@pytest.mark.parametrize(
    ("decorations", "expected", "is_known_to_wine"),
    [
        ((), [], False),  # off x86 a decoration is needed since 5.2
        (("NTamd64",), ["NTamd64"], True),
        (("NT",), [], False),
        (("NTx86",), [], True),
        (("NTia64", "NTamd64"), ["NTamd64"], True),
        (("NTamd64.6.1",), ["NTamd64.6.1"], False),  # its version or later
        (("NTamd64.11.0",), [], False),
        (("NTamd64", "NTamd64.6.1", "NTamd64.10.0"), ["NTamd64.10.0"], False),
        (("NTamd64...1",), ["NTamd64...1"], False),  # a workstation
        (("NTamd64...3",), [], False),  # a server
    ],
)
def test_the_same_models_section_is_read(
    tmp_path: Path, decorations: tuple[str, ...], expected: list[str], is_known_to_wine: bool
) -> None:
    sections = [("Models", "plain"), *((f"Models.{one}", one) for one in decorations)]
    text = f"[Manufacturer]\n{','.join(('Quillon=Models', *decorations))}\n"
    text += "".join(f"[{name}]\n{words}=I1,{CHIP}\n" for name, words in sections)
    path = write(tmp_path, text + "[I1]\nCopyFiles=@a.sys\n")
    assert [one.description for one in ours(path, [CHIP], [])] == expected
    if is_known_to_wine or not IS_WINE:
        assert [one.description for one in search(path, [CHIP])] == expected


# inf-ddinstall-section: the section with the closest suffix.
@pytest.mark.parametrize("section", ["I1", "I2", "I3"])
def test_the_same_install_section_is_taken(tmp_path: Path, section: str) -> None:
    path = write(tmp_path, MODELS)
    found = find_install_section(parse_inf(path.read_bytes()), section, SYSTEM)
    assert found == section_with_suffix(path, section) != ""


MORE = "[Manufacturer]\nQuillon=Models,NTamd64\n[Models.NTamd64]\nboard=I1,PCI\\VEN_F3D7&DEV_1600\n"


# The sections that a page names as places for CopyFiles, with that of the install section.
@pytest.mark.parametrize(
    ("text", "sections"),
    [
        # inf-addinterface-directive: an add-interface section, with its suffix.
        (
            "[I1]\nCopyFiles=@a.sys\n[I1.Interfaces]\nAddInterface={0f2c},,Face\n"
            "[Face]\nCopyFiles=@b.dll\n[Face.NTamd64]\nCopyFiles=@c.dll\n",
            ["I1", "Face.NTamd64"],
        ),
        # inf-interfaceinstall32-section
        (
            "[I1]\nCopyFiles=@a.sys\n[InterfaceInstall32]\n{0f2c}=Face\n[Face]\nCopyFiles=@b.dll\n",
            ["I1", "Face"],
        ),
        # inf-classinstall32-section
        (
            "[I1]\nCopyFiles=@a.sys\n[ClassInstall32]\nCopyFiles=@b.dll\n"
            "[ClassInstall32.NTamd64]\nCopyFiles=List\n[List]\nc.dll\n",
            ["I1", "ClassInstall32.NTamd64"],
        ),
        # inf-ddinstall-coinstallers-section
        (
            "[I1.NTamd64]\nCopyFiles=@a.sys\n[I1.NTamd64.CoInstallers]\nCopyFiles=@b.dll\n",
            ["I1.NTamd64", "I1.NTamd64.CoInstallers"],
        ),
        # inf-sourcedisksnames-section: several disks.
        ("[I1]\nCopyFiles=@a.sys,@b.dll,@c.dll\n", ["I1"]),
    ],
)
def test_the_same_files_are_queued_from_all_sections(
    tmp_path: Path, text: str, sections: list[str]
) -> None:
    path = write(tmp_path, MORE + text)
    inf = parse_inf(path.read_bytes())
    install = find_install_section(inf, "I1", SYSTEM)
    assert install == sections[0]
    found = {file.path.lower() for file in requirements(inf, [install], SYSTEM).files}
    theirs = set().union(*(queued(path, section) for section in sections))
    assert found == theirs != set()


def test_a_disk_for_the_platform_has_its_own_folder(tmp_path: Path) -> None:
    """inf-sourcedisksnames-section: decorated sections go first; Wine 8's queue forgets that."""
    path = write(tmp_path, MORE + "[I1]\nCopyFiles=@d.dll\n")
    inf = parse_inf(path.read_bytes())
    assert [file.path for file in requirements(inf, ["I1"], SYSTEM).files] == ["wide/d.dll"]
    assert source_location(path, "d.dll") == (3, "wide")
    if not IS_WINE:
        assert queued(path, "I1") == {"wide/d.dll"}


def test_of_two_entries_for_a_file_the_first_counts(tmp_path: Path) -> None:
    """SetupFindFirstLine finds the first line of a key."""
    text = MORE + "[I1]\nCopyFiles=@e.dll\n[SourceDisksFiles]\ne.dll=2\ne.dll=1,other\n"
    path = write(tmp_path, text)
    inf = parse_inf(path.read_bytes())
    assert [file.path for file in requirements(inf, ["I1"], SYSTEM).files] == ["sub/e.dll"]
    assert source_location(path, "e.dll") == (2, "sub")
    assert queued(path, "I1") == {"sub/e.dll"}


def test_only_sections_that_are_there_are_followed(tmp_path: Path) -> None:
    inf = parse_inf(write(tmp_path, MORE + "[I1]\nCopyFiles=@a.sys\n").read_bytes())
    assert [one for one in sections_of_install("I1", SYSTEM) if inf.section(one)] == ["I1"]
    assert list(sections_of_class(inf, SYSTEM)) == []


# SetupGetSourceFileLocation: which disk a file is on; the platform's table goes first.
@pytest.mark.parametrize("name", ["a.sys", "b.dll", "c.dll", "d.dll"])
def test_a_file_is_on_the_same_disk(tmp_path: Path, name: str) -> None:
    path = write(tmp_path, MORE + "[I1]\nCopyFiles=@a.sys\n")
    tables = source_tables(parse_inf(path.read_bytes()), SYSTEM.source_suffixes)
    disk, _ = source_location(path, name)
    assert tables.files[name].disk_id == str(disk)
