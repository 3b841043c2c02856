"""The rules about structures as data, and the log that can't be flooded."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

import mediashelf.formats
from mediashelf.findings import Severity
from mediashelf.formats.problem_log import PLACES_PER_RULE, ProblemLog
from mediashelf.formats.structure_rules import STRUCTURE_RULES

SOURCES = "\n".join(
    path.read_text("utf-8")
    for folder in (Path(mediashelf.formats.__file__).parent,)
    for path in folder.rglob("*.py")
) + (Path(mediashelf.formats.__file__).parents[1] / "image.py").read_text("utf-8")


_CLAUSES = r"(?:{0})(?:(?:, | and | to ){0})*"
_NUMBERS = _CLAUSES.format(r"\d+(?:\.\d+)+")
_PARTED = _CLAUSES.format(r"\d/\d+(?:\.\d+)*")
_ECMA = rf"ECMA-119 {_NUMBERS}|ECMA-167 {_PARTED}"
SOURCE = re.compile(
    rf"(?:from memory: )?(?:{_ECMA})"
    rf"|(?:SUSP|RRIP) 1\.12, {_NUMBERS}"
    r"|El Torito 1\.0, (?:section \d\.\d and )?(?:section \d\.\d|figures? \d(?: (?:and|to) \d)?)"
    r"|Joliet specification 1, (?:[A-Z][A-Za-z]+ ?)+"
    r"|Linux kernel 6\.12?, [\w/.-]+"
    rf"|Linux kernel 6\.1, fs/udf/osta_udf\.h: UDF 2\.60 {_NUMBERS}"
    r"|common practice|own behaviour"
)
"""A standard with its clause as people write it, or that none is published."""


@pytest.mark.parametrize("rule", STRUCTURE_RULES)
def test_every_rule_has_a_source_that_people_can_look_up(rule: str) -> None:
    row = STRUCTURE_RULES[rule]
    parts = row.source.split("; ")
    assert not [part for part in parts if not SOURCE.fullmatch(part)]
    # What no text demands is worth knowing, but not a fault.
    if parts == ["common practice"]:
        assert row.severity is Severity.NOTE
    # What memory says stands beside a text that was read, never alone.
    assert not all(part.startswith("from memory") for part in parts)


@pytest.mark.parametrize("source", ["", "ecma-119-8.4", "ECMA-119", "ECMA-167 3.10.5", "El Torito"])
def test_a_source_without_a_place_is_noticed(source: str) -> None:
    assert not SOURCE.fullmatch(source)


@pytest.mark.parametrize("rule", STRUCTURE_RULES)
def test_every_rule_is_a_fact_in_use_that_says_what_to_do(rule: str) -> None:
    assert re.fullmatch(r"[a-z0-9]+(-[a-z0-9]+)+", rule)
    row = STRUCTURE_RULES[rule]
    assert row.remedy
    assert not row.remedy.endswith(".")
    # Once in the table and once where it is logged; some names are put together.
    is_composed = rule in ("self-record", "parent-record")
    assert SOURCES.count(f'"{rule}"') > 1 or is_composed


def test_a_log_keeps_so_many_places_and_counts_the_rest() -> None:
    log = ProblemLog()
    for number in range(PLACES_PER_RULE):
        log.add("record-order", f"/{number}", "not in order")
    assert len(log.findings()) == PLACES_PER_RULE
    for number in range(1234):
        log.add("record-order", f"/{number}", "not in order")
    log.add("no-volume", "image", "nothing there")
    found = log.findings()
    assert len(found) == PLACES_PER_RULE + 2
    assert found[-2].rule == "no-volume"
    assert found[-1].rule == "record-order"
    assert found[-1].severity is Severity.WARNING
    assert "1,234 more" in found[-1].message


def test_a_finding_takes_severity_and_source_from_its_rule() -> None:
    log = ProblemLog()
    log.add("both-orders-agree", "/A", "differ", offset=7, found=1, expected=2)
    (finding,) = log.findings()
    assert finding.as_dict() == {
        "rule": "both-orders-agree",
        "severity": "error",
        "where": "/A",
        "message": "differ",
        "remedy": STRUCTURE_RULES["both-orders-agree"].remedy,
        "source": "ECMA-119 7.2.3 and 7.3.3",
        "found": "1",
        "expected": "2",
        "offset": 7,
        "length": None,
        "target": "",
    }
