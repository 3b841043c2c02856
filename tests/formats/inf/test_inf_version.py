"""[Version], [Strings] and what kind of text an INF is."""

from __future__ import annotations

import calendar

import pytest

from mediashelf.formats.inf.document import InfKind, Signature, parse_inf
from mediashelf.formats.inf.driver_version import (
    DriverVersion,
    parse_driver_date,
    parse_driver_version,
)


@pytest.mark.parametrize(
    ("text", "signature"),
    [
        # inf-version-section: these two, any case, dollar signs required.
        ('"$Windows NT$"', Signature.WINDOWS_NT),
        ("$CHICAGO$", Signature.CHICAGO),
        ('"$chicago$"', Signature.CHICAGO),
        # From memory; the page does not have it.
        ('"$Windows 95$"', Signature.WINDOWS_95),
        ("Windows NT", None),
        ("$Chicago", None),
        ("", None),
    ],
)
def test_signatures(text: str, signature: Signature | None) -> None:
    assert parse_inf(f"[Version]\nSignature = {text}\n".encode()).signature is signature


@pytest.mark.parametrize(
    ("text", "date"),
    [
        # inf-driverver-directive: two-digit month and day, four-digit year, - may replace /.
        ("03/18/1999", (1999, 3, 18)),
        ("03-18-1999", (1999, 3, 18)),
        ("02/29/2000", (2000, 2, 29)),
        ("02/29/1900", None),
        ("02/30/2000", None),
        ("3/18/1999", None),
        ("03/18/99", None),
        ("18/03/1999", None),
        ("00/00/0000", None),
        ("", None),
    ],
)
def test_driver_dates(text: str, date: tuple[int, int, int] | None) -> None:
    assert parse_driver_date(text) == date


@pytest.mark.parametrize(
    ("text", "version"),
    [
        # inf-driverver-directive: each part 0 to below 65535; 0.0.0.0 is invalid.
        ("4.10.3.204", (4, 10, 3, 204)),
        ("5.1", (5, 1, 0, 0)),
        ("65534.0.0.1", (65534, 0, 0, 1)),
        ("65535.0.0.0", None),
        ("0.0.0.0", None),
        ("1.2.3.4.5", None),
        ("1..2", None),
        ("v1", None),
        ("", None),
    ],
)
def test_driver_versions(text: str, version: tuple[int, int, int, int] | None) -> None:
    assert parse_driver_version(text) == version


def test_driver_versions_compare_by_date_and_then_by_version() -> None:
    older = DriverVersion((1999, 3, 18), (9, 0, 0, 0))
    newer = DriverVersion((2000, 1, 1), (1, 0, 0, 0))
    newest = DriverVersion((2000, 1, 1), (1, 0, 0, 10))
    # A missing or invalid date counts as 00/00/0000 (inf-driverver-directive).
    assert sorted([newest, newer, DriverVersion(), older]) == [
        DriverVersion(),
        older,
        newer,
        newest,
    ]


def test_driver_version_of_a_text() -> None:
    inf = parse_inf(b"[Version]\nDriverVer = 03/18/1999, 4.10.3.204\n")
    assert inf.driver_version.date_text == "1999-03-18"
    assert inf.driver_version.version_text == "4.10.3.204"
    assert parse_inf(b"[Version]\nDriverVer = soon,4.1\n").driver_version == DriverVersion(
        (0, 0, 0), (4, 1, 0, 0)
    )
    assert parse_inf(b"").driver_version.date_text == "no date"


STRINGS = b"""[Strings]
a = plain
b = only plain
q = "two ""quoted"" words "
[Strings.0407]
a = german
[Strings.0409]
a = english
[strings.0807]
a = swiss
c = only swiss
"""


@pytest.mark.parametrize(
    ("language", "expected"),
    [
        # inf-strings-section: [Strings.LLLL] with four hexadecimal digits.
        (0x0409, "english"),
        (0x0407, "german"),
        (0x0807, "swiss"),
        (0x0C07, "swiss"),  # another region of the same primary language, the later one
        (0x0411, "plain"),
    ],
)
def test_strings_of_a_language_go_before_plain_ones(language: int, expected: str) -> None:
    inf = parse_inf(STRINGS, language=language)
    assert inf.expand("%A% / %b%") == f"{expected} / only plain"


def test_quotes_of_strings_are_stripped_and_condensed() -> None:
    # inf-strings-section: outer quotes stripped, inner "" is one ".
    assert parse_inf(STRINGS).expand("%q%") == 'two "quoted" words '


def test_expansion_keeps_what_has_no_string() -> None:
    inf = parse_inf(b"[Strings]\na = %b%\nb = 1\n")
    # "%%" is "%" (general-syntax-rules-for-inf-files); one replacement, not a chain.
    assert inf.expand("100%% %a% %none% %11%") == "100% %b% %none% %11%"
    assert inf.undefined("100%% %a% %none% %11%") == ["none"]


@pytest.mark.parametrize(
    ("text", "kind"),
    [
        ("[Version]\nSignature=$Chicago$\n[Manufacturer]\n", InfKind.DRIVER),
        ("[Manufacturer]\nx=y\n", InfKind.DRIVER),
        ("[Version]\nSignature=$Chicago$\n[DefaultInstall]\n", InfKind.SCRIPT),
        ("[Identification]\nOptionType = NetAdapter\n", InfKind.OEM_SETUP),
        ("[autorun]\nopen=setup.exe\n", InfKind.OTHER),
        ("", InfKind.OTHER),
    ],
)
def test_kinds_of_texts(text: str, kind: InfKind) -> None:
    assert parse_inf(text.encode()).kind is kind


@pytest.mark.parametrize("month", range(1, 13))
def test_a_month_has_as_many_days_as_the_calendar_says(month: int) -> None:
    # INF DriverVer directive: a date; its last day is that of Python's calendar.
    last = calendar.monthrange(1999, month)[1]
    assert parse_driver_date(f"{month:02}/{last:02}/1999") == (1999, month, last)
    assert parse_driver_date(f"{month:02}/{last + 1:02}/1999") is None
