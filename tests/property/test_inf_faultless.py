"""Texts that break no rule are read by a short way; every answer is that of the long way.

The long way is ``lex_inf``, whose rules other tests hold against the published syntax.
"""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from driver_examples import inf_text
from forty_packages import write_packages
from inf_mutations import SEED_TEXT, mutate
from mediashelf.formats.inf import document
from mediashelf.formats.inf.checks import check_inf
from mediashelf.formats.inf.document import Inf, parse_inf
from mediashelf.formats.inf.models import all_models, descriptions, first_manufacturer, models_for
from mediashelf.formats.inf.models_read import identifiers_named, models_read_by, read_models
from mediashelf.formats.inf.requirements import requirements
from mediashelf.formats.inf.source_files import source_folders
from mediashelf.formats.inf.systems import InfSystem, find_install_section
from mediashelf.formats.inf.text.faultless import Packed
from mediashelf.formats.inf.text.lines import plain_ends

SYSTEMS = (InfSystem(False), InfSystem(True), InfSystem(True, (6, 1), "amd64"))
WANTED = frozenset(("PCI\\VEN_F2C4&DEV_0301", "PCI\\VEN_F2C4&DEV_0302&SUBSYS_0001F2C4", "*LKV0003"))


def answers(inf: Inf) -> list[object]:
    """All that is asked of a text."""
    found: list[object] = [
        inf.kind,
        inf.signature,
        inf.driver_version,
        dict(inf.strings),
        [(one.name, one.line, one.entries) for one in inf.sections.values()],
        list(inf.sections),
        list(check_inf(inf, where="x")),
        source_folders(inf),
        {name for model in all_models(inf) for name in (model.hardware_id, *model.compatible_ids)}
        & WANTED,
        (
            tuple(dict.fromkeys(model.description for model in all_models(inf))),
            next((model.manufacturer for model in all_models(inf)), ""),
        ),
    ]
    for system in SYSTEMS:
        models = list(models_for(inf, system))
        installs = [find_install_section(inf, model.install, system) for model in models]
        found += [models, installs]
        found.append(requirements(inf, dict.fromkeys(one for one in installs if one), system))
        for wanted in (WANTED, frozenset(["nothing"])):
            found.append(read_models(models, wanted))
    return found


def asked_shortly(inf: Inf) -> list[object]:
    """The same answers as far as a shorter question gives them, for comparison."""
    found = answers(inf)
    named = set(identifiers_named(inf, WANTED))
    found[8:10] = named, (descriptions(inf), first_manufacturer(inf))
    at = 10
    for system in SYSTEMS:
        at += 3
        for wanted in (WANTED, frozenset(["nothing"])):
            found[at] = models_read_by(inf, system, wanted)
            at += 1
    return found


def both_ways(data: bytes, monkeypatch: pytest.MonkeyPatch) -> bool:
    """Assert that both ways give the same answers, and return whether the short one was taken."""
    short = parse_inf(data)
    with monkeypatch.context() as patched:
        patched.setattr(document, "faultless_sections", lambda *text: None)
        long = parse_inf(data)
    assert not long.text
    assert asked_shortly(short) == answers(long)
    return bool(short.text)


@pytest.mark.parametrize("part", range(4))
def test_mutated_texts(part: int, monkeypatch: pytest.MonkeyPatch) -> None:
    random_ = random.Random(part)
    texts = [mutate(SEED_TEXT, random_) for _ in range(200)]
    taken = [both_ways(data, monkeypatch) for data in texts]
    assert any(taken)
    assert not all(taken)


MODELS = [
    "PCI\\VEN_F2C4&DEV_0301",
    "PCI\\VEN_F2C4&DEV_0302&SUBSYS_0001F2C4,pci\\ven_f2c4&dev_0302 , *lkv0003",
    "PCI\\VEN_F2C4&DEV_0302&SUBSYS_0002F2C4 ; a board",
    "%Lkv%",
    "",
]
MORE = {
    "nothing": "",
    "comments": "; one\n\n  ; two\n[Lists] ; three\na = b ; c\n%a;b% = c ; d\n",
    "quotes": '[Lists]\n"a""b" = "c;d", e ; f "g\n"Copy"Files = @x.sys\n"CopyFiles" = @y.sys\n',
    "continued": "[Lists]\nHKR,,a,,\\\n  b\nHKR,,c,, \\ ; d\n  e\n[Others]\na = b\\c\n",
    "continued models": "[Models]\nx=Install,\\\n y,z\nx=Install,y\\  \nv=w,q\n",
    "continued to a section": "[Lists]\na,\\\n[Others]\nb\n",
    "continued to the end": "[Others]\na,\\",
    "continued before the end": "[Others]\na,\\\n",
    "indented": " [Lists]\n a = b\n\t[Others]\n",
    "no quote": '[Lists]\na = "b\n',
    "merged": "[Models]\nx=Install,*LKV0003\n[version]\nProvider=a\n[Strings]\nx=y\nMaker=z\n",
    "strings": '[Strings]\nA = "b;c" ; d\nA="e"\n B ="" \nC="x""y"\nD=" z "\n',
    "long string": f'[Strings]\nE="{"w" * 600}"\n',
    "other ends": "[Lists]\ra\r\nb\n\x1a\n\0c\n",
    "blanks": "[Lists]\n\x0b a\x0c=\xa0b \n\xa0[Others]\n\x1c[Last]\n",
    "long": "[Lists]\n" + "x" * 4096 + "\n",
    "long name": f"[{'n' * 256}]\n",
    "open": "[Lists\na\n",
    "text after": "[Lists] a\n",
    "percents": "[Models]\n50% %a%b%=Install,x\n%%=Install,y\n%1%=Install,z\n%=No such,z\n",
    "plain models": "[Models]\n%Lkv%=Install,*LKV0003\n%Maker%=Install,pci\\ven_f2c4&dev_0301\n",
    "plain models with blanks": "[Models]\n %Lkv% = Install, *lkv0003\n%Maker%=Install ,x\n\n",
    "a token in half of the lines": "[Models]\n%Lkv%=Install,x\nOwn name=Install,*LKV0003\n",
    "slash and blank": "[Models]\nx=Install,y\\\x0b\nz=Install,*LKV0003\n[Lists]\na,b\\;c\nd\n",
    "strings across lines": '[Strings]\nA=\nB"x"="y"\n',
    "strings in one line": '[Strings]\nA="x"B=\n"y"\nC="z"\n',
    "strings with blanks": '[Strings]\n A = "x" \nB="y"\n',
    "no install": "[Models]\nx=,y\nz= ,y\nw=No,y\n=Install,y\n",
    "localized": '[Strings.0409]\nMaker="Larkspur"\n[Strings.0407]\nOther="Anderer"\n',
}


@pytest.mark.parametrize("more", MORE)
@pytest.mark.parametrize("ends", ["\n", "\r\n"])
def test_texts_of_every_form(more: str, ends: str, monkeypatch: pytest.MonkeyPatch) -> None:
    for models in ([], MODELS[:1], MODELS[:3], MODELS):
        text = inf_text(*models, decorations=",NTx86", more=MORE[more]).replace("\r\n", ends)
        both_ways(text.encode("cp1252"), monkeypatch)
        both_ways(("\n" + MORE[more] + text).encode("cp1252"), monkeypatch)


def test_forty_packages(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    made = write_packages(tmp_path)
    taken = [both_ways(one.inf_text().encode("ascii"), monkeypatch) for one in made.packages]
    assert all(taken)


def test_a_text_that_breaks_no_rule_is_kept_packed(monkeypatch: pytest.MonkeyPatch) -> None:
    models = [f"PCI\\VEN_F2C4&DEV_{number:04X}" for number in range(1000)]
    inf = parse_inf(inf_text(*models).encode())
    assert inf.text
    before = answers(inf)
    inf.derived.clear()
    inf.let_go()
    assert isinstance(inf.again, Packed)
    assert len(inf.again) * 4 < inf.size
    assert answers(inf) == before
    assert both_ways(inf_text(*models).encode(), monkeypatch)


def test_a_text_that_can_be_read_again_is_not_kept() -> None:
    text = inf_text(*MODELS)
    reads = []

    def again() -> str:
        reads.append(1)
        return plain_ends(text)

    inf = parse_inf(text.encode(), again=again)
    before = answers(inf)
    inf.derived.clear()
    inf.let_go()
    assert answers(inf) == before
    assert len(reads) == 1


KEYS = ["%Lkv%", "%Maker%", "Own", "50%", "%a%b%", "\\x", " %Lkv% ", "\xe9", "%Lkv%\t", ""]
INSTALLS = ["Install", " Install", "install ", "No", "", "In%Maker%"]
IDENTIFIERS = ["PCI\\VEN_F2C4&DEV_0301", "pci\\ven_f2c4&dev_0302&subsys_0001f2c4", " *LKV0003"]
IDENTIFIERS += ["*lkv0003 ", "x\\", "%Lkv%", "", "a,b", "*LKV0003,PCI\\CC_0300"]
NAMES = ["A", "B", "a ", "Lkv", "%x%", "Maker", "", "C=", "D "]
VALUES = ['"x"', '"y" ', ' "z"', '""', '"a""b"', "x", '"a;b"', '"w" ; c', '"p,q"']


def test_sections_whose_lines_are_nearly_alike(monkeypatch: pytest.MonkeyPatch) -> None:
    chance = random.Random(7)
    taken = []
    for _ in range(400):
        keys = chance.sample(KEYS, chance.choice([1, 2, 3]))
        few = chance.random() < 0.5  # the usual forms alone
        lines = [
            f"{chance.choice(keys)}={chance.choice(INSTALLS[: 1 if few else 6])},"
            f"{chance.choice(IDENTIFIERS[: 2 if few else 9])}"
            for _ in range(chance.randint(1, 5))
        ]
        strings = [
            f"{chance.choice(NAMES[: 4 if few else 9])}={chance.choice(VALUES[: 3 if few else 9])}"
            for _ in range(chance.randint(1, 5))
        ]
        text = "\n".join(["[Models]", *lines, "[Strings]", *strings])
        text = f"[Version]\nSignature=$CHICAGO$\n[Manufacturer]\n%Maker%=Models\n[Install]\n{text}"
        taken.append(both_ways(text.encode("cp1252"), monkeypatch))
    assert taken.count(True) > 300
