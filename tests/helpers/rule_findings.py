"""What the readability rules find on a disc for a target."""

from __future__ import annotations

from mediashelf.findings import Finding, Severity
from mediashelf.formats.volume import DiscFacts
from mediashelf.readability.check import check_disc
from mediashelf.readability.targets import load_targets

TARGETS = load_targets()


def findings(facts: DiscFacts, target: str, rule: str = "") -> list[Finding]:
    found = check_disc(facts, TARGETS[target])
    return [finding for finding in found if not rule or finding.rule == rule]


NOTE, WARNING, ERROR = Severity.NOTE, Severity.WARNING, Severity.ERROR
