"""What a target's findings come to, in one phrase."""

from __future__ import annotations

import pytest

from disc_facts import disc, udf
from golden_rules import iso, joliet
from mediashelf.findings import Finding, Severity
from mediashelf.formats.volume import DiscFacts
from mediashelf.readability.check import Readability, check_disc, verdict_on
from mediashelf.readability.targets import load_targets

TARGETS = load_targets()


@pytest.mark.parametrize(
    ("facts", "target", "verdict"),
    [
        (iso("A.TXT"), "dos", Readability.READS),
        (iso("A-B.TXT"), "dos", Readability.READS),  # a note alone
        (iso("Readme.txt"), "nt4", Readability.WITH_CARE),
        (iso("LONGNAMES.TXT"), "dos", Readability.IN_PART),
        (joliet("n" * 111), "nt5", Readability.IN_PART),
        (disc(others=[udf()]), "dos", Readability.NOT_AT_ALL),
        (disc(others=[udf("NSR03", 0x0250)]), "nt5", Readability.NOT_AT_ALL),
        (disc(others=[udf("NSR03", 0x0250)]), "nt6", Readability.WITH_CARE),  # contents not read
        (disc(), "nt6", Readability.NOT_AT_ALL),
    ],
)
def test_verdicts(facts: DiscFacts, target: str, verdict: Readability) -> None:
    assert verdict_on(check_disc(facts, TARGETS[target])) is verdict


def test_no_findings_mean_that_it_is_read() -> None:
    assert verdict_on([]) is Readability.READS


def test_the_worst_finding_decides() -> None:
    findings = [
        Finding("file-system-readable", Severity.NOTE, "/", "m"),
        Finding("name-length", Severity.ERROR, "/", "m"),
        Finding("boot-method", Severity.WARNING, "/", "m"),
    ]
    assert verdict_on(findings) is Readability.IN_PART
