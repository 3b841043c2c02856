"""Every structural rule sees its damage, sees nothing else, and sees nothing in a sound disc."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from golden_damage import GOLDEN
from mediashelf.findings import Finding
from mediashelf.formats.structure_rules import STRUCTURE_RULES
from mediashelf.image import open_image
from mediashelf.integrity.structure.parts import check_structure

COMPARING = {
    "extents-apart",
    "extent-outside-descriptors",
    "trees-agree",
    "trees-agree-in-number",
    "trees-agree-unclear",
    "twin-dates-agree",
    "twin-flags-agree",
    "twin-names-agree",
    "boot-file-checksum",
    "boot-file-table",
    "boot-image-form",
    "boot-image-in-file",
    "file-tables-agree",
}


def words(source: str) -> set[str]:
    return set(re.findall(r"[^\s,;]+", source.replace("figures", "figure")))


def check(path: Path, data: bytes) -> list[Finding]:
    path.write_bytes(data)
    with open_image(path) as image:
        return [*image.findings, *check_structure(image)]


def test_no_rule_is_without_its_disc() -> None:
    assert set(GOLDEN) == STRUCTURE_RULES.keys() | COMPARING


@pytest.mark.parametrize("rule", GOLDEN)
def test_a_rule_sees_its_damage_and_nothing_else(rule: str, tmp_path: Path) -> None:
    case = GOLDEN[rule]
    assert case.clause
    assert check(tmp_path / "sound.iso", case.sound) == []
    findings = check(tmp_path / "damaged.iso", case.damaged)
    assert {finding.rule for finding in findings} == {rule} | case.also
    for finding in findings:
        assert finding.message
        assert finding.remedy
    severities = {each.severity for each in findings if each.rule == rule}
    sources = {each.source for each in findings if each.rule == rule}
    assert all(words(case.clause) <= words(source) for source in sources), sources
    if rule in STRUCTURE_RULES:
        assert severities == {STRUCTURE_RULES[rule].severity}
