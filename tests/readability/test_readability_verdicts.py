"""What a target's findings come to, in one phrase."""

from __future__ import annotations

import gc

import pytest

from disc_facts import disc, udf
from golden_rules import iso, joliet
from mediashelf.findings import Finding, Severity
from mediashelf.formats.structure_rules import STRUCTURE_RULES
from mediashelf.formats.volume import DiscFacts
from mediashelf.readability.check import Readability, check_disc, check_targets, verdict_on
from mediashelf.readability.name_tree import NameTree
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


@pytest.mark.parametrize("rule", STRUCTURE_RULES)
def test_a_rule_of_structure_says_itself_what_it_does_to_a_reading(rule: str) -> None:
    row = STRUCTURE_RULES[rule]
    verdict = verdict_on([], [Finding(rule, row.severity, "/", "m")])
    is_damage = row.severity is Severity.ERROR and not row.spares_volume
    plain = Readability.WITH_CARE if row.needs_care else Readability.READS
    assert verdict is (Readability.DAMAGED if is_damage else plain)


def test_few_rules_of_structure_say_so() -> None:
    # Linux kernel 6.12, fs/isofs/compress.c unpacks; raw sectors hold the volume as it was; an
    # emulated drive has one session (6.1, drivers/usb/gadget/function/f_mass_storage.c).
    assert [name for name, row in STRUCTURE_RULES.items() if row.needs_care] == [
        "last-session-read",
        "rockridge-compressed",
    ]
    assert [name for name, row in STRUCTURE_RULES.items() if row.spares_volume] == ["raw-sectors"]


def test_judged_disc_leaves_no_garbage_in_circles() -> None:
    """Of a shelf of large discs each would stay until the collector comes by."""
    facts = joliet("n" * 111)
    gc.collect()
    gc.disable()
    try:
        found = list(check_targets(facts, TARGETS.values()))
        assert any(findings for _, findings in found)
        del found
        assert not [one for one in gc.get_objects() if isinstance(one, NameTree)]
    finally:
        gc.enable()
