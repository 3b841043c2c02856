"""The rules about structures as data, and the log that can't be flooded."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

import mediashelf.formats
from mediashelf.findings import Severity
from mediashelf.formats.structure_rules import PLACES_PER_RULE, STRUCTURE_RULES, ProblemLog

SOURCES = "\n".join(
    path.read_text("utf-8")
    for folder in (Path(mediashelf.formats.__file__).parent,)
    for path in folder.rglob("*.py")
) + (Path(mediashelf.formats.__file__).parents[1] / "image.py").read_text("utf-8")


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
