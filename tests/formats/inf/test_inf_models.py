"""Which sections a system reads: manufacturer lines, decorations, models, install sections."""

from __future__ import annotations

import pytest

from mediashelf.formats.inf.document import Signature, parse_inf
from mediashelf.formats.inf.models import all_models, makers, models_for
from mediashelf.formats.inf.systems import (
    InfSystem,
    choose_models,
    find_install_section,
    parse_decoration,
)

WIN9X = InfSystem(is_nt=False)
NT50, NT51, NT52, NT60, NT61 = (
    InfSystem(True, version) for version in [(5, 0), (5, 1), (5, 2), (6, 0), (6, 1)]
)
AMD64_61 = InfSystem(True, (6, 1), "amd64")

# The worked example of inf-manufacturer-section.
MANUFACTURER_EXAMPLE = b"""
[Manufacturer]
%FooCorp%=FooMfg, NTx86....0x80, NTamd64

[FooMfg.NTx86....0x80]
[FooMfg.NTamd64]

[Strings]
FooCorp="Foo Corporation"
"""


def test_manufacturer_example_names_two_sections() -> None:
    # inf-manufacturer-section
    inf = parse_inf(MANUFACTURER_EXAMPLE)
    (maker,) = makers(inf)
    assert maker.name == "Foo Corporation"
    assert tuple(maker.iter_sections()) == ("FooMfg", "FooMfg.NTx86....0x80", "FooMfg.NTamd64")
    assert [inf.section(name) is not None for name in maker.iter_sections()] == [False, True, True]


@pytest.mark.parametrize(
    ("system", "section"),
    [
        (InfSystem(True, (5, 1), "x86", suite_mask=0x80), "FooMfg.NTx86....0x80"),
        (InfSystem(True, (6, 0), "x86", suite_mask=0x180), "FooMfg.NTx86....0x80"),
        (InfSystem(True, (6, 0), "x86", suite_mask=0x100), "FooMfg"),
        (NT51, "FooMfg"),
        (InfSystem(True, (5, 2), "amd64"), "FooMfg.NTamd64"),
        (InfSystem(True, (5, 2), "ia64"), None),
    ],
)
def test_manufacturer_example_by_system(system: InfSystem, section: str | None) -> None:
    # inf-manufacturer-section: suite mask 0x80 of any version, or amd64 of any version.
    (maker,) = makers(parse_inf(MANUFACTURER_EXAMPLE))
    assert choose_models(maker.models, maker.decorations, system).section == section


def test_bare_manufacturer_line() -> None:
    # inf-manufacturer-section: the bare form names the models section itself.
    inf = parse_inf(b"[Manufacturer]\nTernfield\n[Ternfield]\n%x%=Install,PCI\\VEN_F4B9&DEV_0100\n")
    assert [model.hardware_id for model in models_for(inf, NT51)] == ["PCI\\VEN_F4B9&DEV_0100"]


@pytest.mark.parametrize(
    ("text", "parts"),
    [
        # inf-manufacturer-section: NT[Arch][.[Major][.[Minor][.[ProductType][.SuiteMask]]]]
        ("NT", ("", None, None, None, None, None)),
        ("ntX86", ("x86", None, None, None, None, None)),
        ("NTx86.5.1", ("x86", 5, 1, None, None, None)),
        ("NT.6.0", ("", 6, 0, None, None, None)),
        ("NTamd64.5.2.0x3", ("amd64", 5, 2, 3, None, None)),
        ("NTx86....0x80", ("x86", None, None, None, 0x80, None)),
        ("NT...1", ("", None, None, 1, None, None)),
        ("NTamd64.10.0...14393", ("amd64", 10, 0, None, None, 14393)),
    ],
)
def test_decorations(text: str, parts: tuple[object, ...]) -> None:
    decoration = parse_decoration(text)
    assert decoration is not None
    assert decoration[1:] == parts


@pytest.mark.parametrize("text", ["", "x86", "NT5", "NTz80", "NT.x", "NTx86 5.1", "WIN", "NT" * 99])
def test_what_is_no_decoration(text: str) -> None:
    assert parse_decoration(text) is None


@pytest.mark.parametrize(
    ("decorations", "system", "chosen"),
    [
        # combining-platform-extensions-with-operating-system-versions: "or later".
        (["NTx86.5.1"], NT51, "M.NTx86.5.1"),
        (["NTx86.5.1"], NT52, "M.NTx86.5.1"),
        (["NTx86.5.1"], NT61, "M.NTx86.5.1"),
        (["NTx86.6.0"], NT51, "M"),
        (["NTamd64.5.1"], NT51, "M"),
        # the same page: the closest is taken
        (["NTx86", "NTx86.5.1", "NTx86.6.0"], NT52, "M.NTx86.5.1"),
        (["NTx86", "NTx86.5.1", "NTx86.6.0"], NT60, "M.NTx86.6.0"),
        (["NT", "NTx86"], NT51, "M.NTx86"),
        (["NT.5.1", "NTx86.5.1"], NT51, "M.NTx86.5.1"),
        (["NTx86.5.1", "NTx86.5.1.1"], NT51, "M.NTx86.5.1.1"),
        (["NTx86.5.1", "NTx86.5.1.3"], NT51, "M.NTx86.5.1"),
        # since 5.2 a section off x86 must have its platform (inf-manufacturer-section)
        (["NT.5.1"], AMD64_61, None),
        (["NTamd64"], AMD64_61, "M.NTamd64"),
        (["NT.5.1"], InfSystem(True, (5, 1), "ia64"), "M.NT.5.1"),
        # builds count within their version
        (["NTamd64.10.0...14393"], InfSystem(True, (10, 0), "amd64", build=10240), None),
        (["NTamd64.10.0...14393"], InfSystem(True, (10, 0), "amd64", build=19041), "M."),
        # from memory: systems before 5.1 take the undecorated section
        (["NTx86"], NT50, "M"),
        (["NTx86"], WIN9X, "M"),
    ],
)
def test_choice_of_models(decorations: list[str], system: InfSystem, chosen: str | None) -> None:
    if chosen == "M.":
        chosen = f"M.{decorations[0]}"
    choice = choose_models("M", decorations, system)
    assert choice.section == chosen
    assert not choice.is_ambiguous


def test_choice_that_depends_on_the_order_of_closest_says_so() -> None:
    choice = choose_models("M", ["NTx86.5.1", "NT.6.0"], NT61)
    assert choice.is_ambiguous


def test_at_most_one_section_for_each_line_of_manufacturer() -> None:
    # combining-platform-extensions-with-operating-system-versions: per line, one section each.
    inf = parse_inf(
        b"[Manufacturer]\na=A,NTx86\nb=B,NTx86\n"
        b"[A]\n1=i,PCI\\A\n[A.NTx86]\n1=i,PCI\\AN\n[B]\n1=i,PCI\\B\n[B.NTx86]\n1=i,PCI\\BN\n"
    )
    assert [model.hardware_id for model in models_for(inf, NT51)] == ["PCI\\AN", "PCI\\BN"]
    assert [model.hardware_id for model in models_for(inf, WIN9X)] == ["PCI\\A", "PCI\\B"]
    assert len(list(all_models(inf))) == 4


def test_models_example() -> None:
    # inf-models-section: the first is the hardware id, the rest are compatible ids.
    inf = parse_inf(
        b"[Manufacturer]\n%std%=Std\n[Std]\n"
        b"%*pnp0f0c.DeviceDesc%= Ser_Inst,*PNP0F0C,SERENUM\\PNP0F0C,SERIAL_MOUSE\n"
        b'[Strings]\n*pnp0f0c.DeviceDesc="Serial mouse"\n'
    )
    (model,) = models_for(inf, NT51)
    assert model.description == "Serial mouse"
    assert model.install == "Ser_Inst"
    assert model.hardware_id == "*PNP0F0C"
    assert model.compatible_ids == ("SERENUM\\PNP0F0C", "SERIAL_MOUSE")


def test_models_entry_with_an_empty_hardware_id() -> None:
    # inf-models-section: the hardware id may be left empty.
    inf = parse_inf(b"[Manufacturer]\na=A\n[A]\nx=i,,pci\\cc_0300\ny=i\n")
    first, second = models_for(inf, NT51)
    assert (first.hardware_id, first.compatible_ids) == ("", ("PCI\\CC_0300",))
    assert (second.hardware_id, second.compatible_ids) == ("", ())


@pytest.mark.parametrize(
    ("sections", "system", "expected"),
    [
        # inf-ddinstall-section: .ntx86, then .nt, then none.
        (["i", "i.NT", "i.NTx86"], NT51, "i.NTx86"),
        (["i", "i.NT", "i.NTamd64"], NT51, "i.NT"),
        (["i", "i.NTamd64"], NT51, "i"),
        (["i", "i.NT", "i.NTamd64"], AMD64_61, "i.NTamd64"),
        (["i.NTamd64"], NT51, None),
        # 9x systems know no suffix.
        (["i", "i.NT", "i.NTx86"], WIN9X, "i"),
        (["i.NT"], WIN9X, None),
    ],
)
def test_install_section(sections: list[str], system: InfSystem, expected: str | None) -> None:
    inf = parse_inf("".join(f"[{name}]\nCopyFiles=a\n" for name in sections).encode())
    assert find_install_section(inf, "I", system) == expected


def test_signatures_by_system() -> None:
    # From memory: $Windows NT$ and $Windows 95$ are for one family, $Chicago$ for both.
    assert [WIN9X.accepts(signature) for signature in Signature] == [False, True, True]
    assert [NT51.accepts(signature) for signature in Signature] == [True, True, False]
    assert not WIN9X.accepts(None)
