"""Hostile INF texts: what comes of a text is bounded, not only the text.

The bounds are our own. Each text is one that used to cost hundreds of bytes for each of its own.
"""

from __future__ import annotations

import tracemalloc
from collections.abc import Callable

import pytest

from mediashelf.formats.inf.checks import MAX_SHOWN, check_inf
from mediashelf.formats.inf.document import Inf, parse_inf
from mediashelf.formats.inf.models import all_models, makers
from mediashelf.formats.inf.requirements import requirements
from mediashelf.formats.inf.systems import InfSystem
from mediashelf.formats.inf.text import lexer, strings
from mediashelf.formats.inf.text.strings import MOST_SUBSTITUTED

HEAD = '[Version]\nSignature="$CHICAGO$"\nClass=Net\nDriverVer=01/25/2000,1.0.0.0\n'
LONG = "x" * 4000
NT = InfSystem(is_nt=True, version=(5, 1))
MIB = 1 << 20


def substitutions(lines: int) -> str:
    """Short tokens that all stand for a long text: names and identifiers of devices."""
    return (
        f"{HEAD}[Manufacturer]\n%m%=Models\n[Strings]\nm={LONG}\n[Models]\n"
        + "%m%=i,%m%\n" * lines
        + "[i]\n"
    )


def decorations(count: int) -> str:
    """One line of [Manufacturer] that names many sections, each by a long text."""
    return f"{HEAD}[Manufacturer]\n%m%=%m%{',NT' * count}\n[Strings]\nm={LONG}\n"


def paths(lines: int) -> str:
    """One long folder for many files."""
    folder = "\\".join(["a" * 8] * 400)
    return (
        f"{HEAD}[Manufacturer]\nm=Models\n[Models]\nd=i,PCI\\X\n[i]\nCopyFiles=list\n"
        f"[SourceDisksNames]\n1=disk,,,{folder}\n[SourceDisksFiles]\n"
        + "".join(f"f{number}=1\n" for number in range(lines))
        + "[list]\n"
        + "".join(f"f{number}\n" for number in range(lines))
    )


def layouts(lines: int) -> str:
    """One long name of another text for many files that only that one may describe."""
    return (
        f"{HEAD}LayoutFile=%m%\n[Strings]\nm={LONG}\n[Manufacturer]\nm=Models\n[Models]\n"
        "d=i,PCI\\X\n[i]\nCopyFiles=list\n[list]\n"
        + "".join(f"f{number}\n" for number in range(lines))
    )


def use(data: bytes) -> Inf:
    inf = parse_inf(data)
    models = list(all_models(inf))
    assert makers(inf) is not None
    list(check_inf(inf, where="x"))
    requirements(inf, dict.fromkeys(model.install for model in models), NT)
    return inf


@pytest.fixture
def a_tenth(monkeypatch: pytest.MonkeyPatch) -> None:
    """Limits that texts of a fair size reach."""
    for name, value in (("MOST_PIECES", 100_000), ("MOST_SECTIONS", 5_000), ("MOST_FAULTS", 1_000)):
        monkeypatch.setattr(lexer, name, value)
    monkeypatch.setattr(strings, "MOST_SUBSTITUTED", MIB)


@pytest.mark.usefixtures("a_tenth")
@pytest.mark.parametrize(
    ("make", "count", "most"),
    [
        (substitutions, 10_000, 16),
        (decorations, 20_000, 16),
        (paths, 4_000, 8),
        (layouts, 6_000, 12),
        (lambda count: HEAD + "".join(f"[s{n}]\n" for n in range(count)), 60_000, 12),
        (lambda count: HEAD + "[a\n" * count, 60_000, 8),
        (lambda count: HEAD + "[s]\n" + "a\n" * count, 150_000, 24),
        (lambda count: HEAD + "[s]\na" + ",bb" * count, 500_000, 24),
        (lambda count: HEAD + '[s]\n"a"' + ",bb" * count, 150_000, 40),
    ],
    ids=[
        *("strings", "decorations", "paths", "layouts", "sections", "faults", "entries"),
        *("values", "quoted values"),
    ],
)
def test_memory_for_hostile_texts(make: Callable[[int], str], count: int, most: int) -> None:
    data = make(count).encode()
    tracemalloc.start()
    use(data)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < most * MIB, f"{peak / MIB:.0f} MiB for {len(data) / MIB:.1f}"


def found(text: str) -> dict[str, str]:
    return {
        finding.rule: f"{finding.where}: {finding.message}"
        for finding in check_inf(parse_inf(text.encode()), where="x")
    }


def test_strings_are_cut_so_that_all_of_them_are_bounded() -> None:
    lines = 2_000
    text = substitutions(lines)
    assert len(parse_inf(text.encode()).strings["m"]) == MOST_SUBSTITUTED // (2 * lines + 1)
    assert "strings-cut" in found(text)
    # An honest text of that length is not cut: the strings are as long as a device's name.
    honest = text.replace(LONG, "Ternfield LAN 10/100 adapter, second edition")
    assert parse_inf(honest.encode()).strings["m"].endswith("edition")
    assert "strings-cut" not in found(honest)


def test_one_long_string_in_a_text_of_many_tokens_is_no_reason_to_cut() -> None:
    names = "".join(f"d{number}=Lan {number}\n" for number in range(2_000))
    text = (
        substitutions(2_000)
        .replace("%m%=i,%m%", "%d7%=i,PCI\\X")
        .replace("[Strings]\n", f"[Strings]\n{names}")
    )
    assert parse_inf(text.encode()).strings["m"] == LONG
    assert "strings-cut" not in found(text)


@pytest.mark.usefixtures("a_tenth")
@pytest.mark.parametrize(
    ("text", "line"),
    [
        (HEAD + "".join(f"[s{n}]\n" for n in range(5_001)), 5_005),
        (HEAD + "[s]\n" + "a\n" * 60_000, 6 + (100_000 - 6) // 2),
        (HEAD + "[a\n" * 1_001, 1_005),
    ],
    ids=["sections", "entries", "faults"],
)
def test_the_rest_is_not_read_and_that_is_said(text: str, line: int) -> None:
    assert found(text)["text-not-read-on"].startswith(f"x line {line}: ")


@pytest.mark.usefixtures("a_tenth")
def test_a_text_at_the_limit_is_read_whole() -> None:
    text = HEAD + "".join(f"[s{n}]\n" for n in range(4_999))
    assert "text-not-read-on" not in found(text)
    assert len(parse_inf(text.encode()).sections) == 5_000


def test_a_very_long_line_is_cut_and_that_is_said() -> None:
    assert "line-cut" in found(HEAD + "[s]\na" + ",bb" * 100_000)
    assert "line-cut" not in found(HEAD + "[s]\na" + ",bb" * 80_000)


def test_faults_are_counted_up_to_the_limit() -> None:
    messages = [
        finding.message
        for finding in check_inf(parse_inf((HEAD + "[a\n" * 500).encode()), where="x")
        if finding.rule == "section-not-closed"
    ]
    assert messages[-1] == f"{500 - MAX_SHOWN} more of this rule"
