"""Every structural rule sees its damage, sees nothing else, and sees nothing in a sound disc."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from golden_damage import GOLDEN
from golden_discs import FIRST, FLOPPY_BOOT, JOLIET, LAST, PLAIN, loader
from make_image import SECTOR
from mediashelf.findings import Finding, Severity
from mediashelf.formats.structure_rules import STRUCTURE_RULES
from mediashelf.image import open_image
from mediashelf.integrity.structure.parts import check_structure

NOTE, WARNING, ERROR = Severity.NOTE, Severity.WARNING, Severity.ERROR
SHORT = JOLIET.record(LAST)  # the record of the file whose twin differs
LOADER = loader().file("/LOADER.BIN")
# Severity, and the bytes that are named: where they begin and how many they are.
COMPARING: dict[str, tuple[Severity, int | None, int | None]] = {
    "extents-apart": (WARNING, (PLAIN.file(FIRST) // SECTOR + 1) * SECTOR, 100),
    "extent-outside-descriptors": (ERROR, 17 * SECTOR, SECTOR),
    "trees-agree": (WARNING, JOLIET.file(LAST), 100),
    "trees-agree-in-number": (NOTE, None, None),
    "trees-agree-unclear": (NOTE, None, 3),
    "twin-dates-agree": (NOTE, SHORT + 18, 7),
    "twin-flags-agree": (WARNING, SHORT + 25, 1),
    "twin-names-agree": (WARNING, SHORT, 33),  # the record up to its name
    "boot-file-checksum": (ERROR, LOADER, 5000),
    "boot-file-table": (WARNING, LOADER + 8, 12),
    "boot-image-form": (NOTE, FLOPPY_BOOT.at("boot-image"), 512),
    "boot-image-in-file": (WARNING, LOADER, 3 * SECTOR),
    "file-tables-agree": (NOTE, None, None),
}


def words(source: str) -> set[str]:
    return set(re.findall(r"[^\s,;]+", source.replace("figures", "figure")))


def check(path: Path, data: bytes) -> list[Finding]:
    path.write_bytes(data)
    with open_image(path) as image:
        return [*image.findings, *check_structure(image)]


def test_no_rule_is_without_its_disc() -> None:
    assert set(GOLDEN) == STRUCTURE_RULES.keys() | COMPARING.keys()


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


@pytest.mark.parametrize("rule", COMPARING)
def test_what_is_compared_has_its_severity_and_its_place(rule: str, tmp_path: Path) -> None:
    severity, offset, length = COMPARING[rule]
    found = [one for one in check(tmp_path / "disc.iso", GOLDEN[rule].damaged) if one.rule == rule]
    assert {(one.severity, one.length) for one in found} == {(severity, length)}
    if rule == "trees-agree-unclear":  # one for each file of two trees
        assert len({one.offset for one in found}) == 4
    else:
        assert [one.offset for one in found] == [offset]
