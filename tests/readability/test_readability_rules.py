"""Every rule fires on a disc that breaks it and not on one that just keeps to it."""

from __future__ import annotations

import re

import pytest

from disc_facts import boot, disc
from golden_rules import GOLDEN, Golden, iso, joliet
from mediashelf.findings import Severity, worst
from mediashelf.formats.volume import FLAG_ASSOCIATED, DiscFacts, Entry, VolumeFacts, VolumeKind
from mediashelf.readability.check import check_disc, check_targets, worst_for_targets
from mediashelf.readability.limits import LIMIT_KINDS, UNPUBLISHED
from mediashelf.readability.rules.table import RULES
from rule_findings import ERROR, NOTE, TARGETS, WARNING, findings


@pytest.mark.parametrize("golden", GOLDEN, ids=lambda golden: f"{golden.rule}-{golden.target}")
def test_rule_fires_on_the_broken_disc_alone(golden: Golden) -> None:
    assert [finding.where for finding in findings(golden.broken, golden.target, golden.rule)] == [
        golden.where
    ]
    assert findings(golden.sound, golden.target, golden.rule) == []


@pytest.mark.parametrize("golden", GOLDEN, ids=lambda golden: f"{golden.rule}-{golden.target}")
def test_a_finding_is_complete(golden: Golden) -> None:
    limits = TARGETS[golden.target].limits
    rule = next(rule for rule in RULES if rule.id == golden.rule)
    for finding in findings(golden.broken, golden.target, golden.rule):
        assert finding.target == golden.target
        assert finding.source == limits[rule.needs].source
        assert finding.remedy
        assert not finding.message.endswith(".")


@pytest.mark.parametrize(
    ("rule", "target", "severity"),
    [
        ("file-system-readable", "dos", ERROR),
        ("udf-readable", "nt5", ERROR),
        ("udf-readable-by-all", "nt5", WARNING),
        ("tree-checked-whole", "nt5", ERROR),
        ("tree-names-all-files", "dos", ERROR),
        ("tree-accounts-for-disc", "dos", NOTE),  # common practice
        ("joliet-present", "nt5", NOTE),
        ("block-size-readable", "nt4", WARNING),  # until service pack 2
        ("file-size", "dos", NOTE),  # common practice
        ("section-size", "nt5", ERROR),
        ("single-section", "dos", NOTE),  # not documented
        ("boot-method", "nt4", WARNING),
        ("boot-platform-fits", "nt5", NOTE),  # common practice
        ("iso-name-form", "dos", ERROR),
        ("iso-name-characters", "dos", NOTE),  # many readers take more
        ("iso-capitals", "nt4", WARNING),
        ("joliet-name-length", "win9x", ERROR),
        ("name-length", "nt5", ERROR),
        ("name-characters", "nt5", ERROR),
        ("name-beginning", "dos", WARNING),  # until redirector 2.23
        ("plain-names", "win9x", NOTE),  # from memory
        ("device-name", "dos", ERROR),
        ("device-name-with-extension", "nt5", ERROR),
        ("device-name-with-extension", "dos", NOTE),  # common practice
        ("tilde-tail", "nt4", WARNING),  # until service pack 2
        ("directory-depth", "dos", ERROR),
        ("directory-path-length", "dos", ERROR),
        ("path-length", "dos", WARNING),  # said of directories
        ("path-length", "win9x", ERROR),
        ("records-in-order", "dos", WARNING),  # until redirector 2.23
        ("paths-distinct", "nt5", ERROR),
        ("names-distinct-without-case", "nt5", NOTE),  # from memory
        ("first-phase-reads", "win9x", WARNING),
    ],
)
def test_how_much_a_rule_matters(rule: str, target: str, severity: Severity) -> None:
    goldens = [golden for golden in GOLDEN if (golden.rule, golden.target) == (rule, target)]
    assert goldens
    for golden in goldens:
        [finding] = findings(golden.broken, target, rule)
        # A directory whose name has an extension is read by more than level 1 asks for.
        expected = WARNING if "DRIVERS.NEW" in finding.where else severity
        assert finding.severity is expected


PUBLISHED = re.compile(
    r"Microsoft KB Q\d+|TechNet cc\d+|ECMA-119 \d|Joliet Specification 1|Win32 documentation, "
    r"|Linux commit [0-9a-f]{12}|Windows XP Professional Resource Kit|by definition: |computed: "
)


@pytest.mark.parametrize("golden", GOLDEN, ids=lambda golden: f"{golden.rule}-{golden.target}")
def test_a_golden_disc_names_what_it_is_checked_against(golden: Golden) -> None:
    """A pair is no better founded than the limit whose edge it shows."""
    rule = next(rule for rule in RULES if rule.id == golden.rule)
    limit = TARGETS[golden.target].limits[rule.needs]
    if golden.source.startswith("own behaviour: "):
        assert rule.needs == "trees"
    else:
        assert bool(PUBLISHED.match(golden.source)) is limit.is_published
        assert golden.source.startswith(UNPUBLISHED) is not limit.is_published


def test_every_rule_has_a_golden_disc() -> None:
    assert {golden.rule for golden in GOLDEN} == {rule.id for rule in RULES}


def test_rule_ids_are_distinct_and_need_limits_that_exist() -> None:
    assert len({rule.id for rule in RULES}) == len(RULES)
    assert {rule.needs for rule in RULES} == set(LIMIT_KINDS)


@pytest.mark.parametrize("target", TARGETS)
def test_unpublished_limits_yield_notes_only(target: str) -> None:
    for golden in GOLDEN:
        for finding in findings(golden.broken, target):
            if finding.source.lower().startswith(UNPUBLISHED):
                assert finding.severity is Severity.NOTE, finding


@pytest.mark.parametrize("target", TARGETS)
def test_a_sound_disc_of_both_trees_yields_nothing(target: str) -> None:
    facts = disc(
        iso={"DRIVERS/": 0, "README.TXT": 40, "DRIVERS/LKVX3.INF": 900},
        joliet={"Drivers/": 0, "Readme.txt": 40, "Drivers/lkvx3.inf": 900},
    )
    expected = ["short-name-kept"] if target == "nt4" else []
    assert [finding.rule for finding in findings(facts, target)] == expected


@pytest.mark.parametrize("lets_go", [False, True])
def test_targets_together_give_what_each_alone_gives(lets_go: bool) -> None:
    for golden in GOLDEN:
        found = list(check_targets(golden.broken, TARGETS.values(), lets_go=lets_go))
        together = {target.name: list(findings) for target, findings in found}
        assert together == {name: findings(golden.broken, name) for name in TARGETS}


def test_everything_below_a_deep_directory_is_one_finding() -> None:
    paths = [f"{'/'.join('ABCDEFG'[:count])}/" for count in range(1, 8)]
    beneath = ["A/B/C/D/E/F/G/H/", "A/B/C/D/E/F/G/H/I/", "A/B/C/D/E/F/G/H/I/F.TXT"]
    [finding] = findings(iso(*paths, *beneath), "dos", "directory-depth")
    assert finding.where == "/A/B/C/D/E/F/G/H"
    assert "2 entries in it" in finding.message


def test_a_file_may_stand_in_a_directory_of_the_last_level() -> None:
    path = "/".join("ABCDEFG") + "/F.TXT"
    assert findings(iso(path), "dos", "directory-depth") == []


def test_long_directory_path_is_said_once_not_of_what_is_inside() -> None:
    folder = "A" * 64
    found = findings(iso(f"{folder}/", f"{folder}/B/", f"{folder}/B/C/"), "dos")
    assert [item.where for item in found if item.rule == "directory-path-length"] == [f"/{folder}"]


@pytest.mark.parametrize(("rule", "most"), [("file-size", (1 << 31) - 1)])
def test_of_small_and_large_files_the_large_are_named(rule: str, most: int) -> None:
    sizes = {"A.CAB": most, "B.CAB": most + 1, "C.CAB": 1, "D.CAB": 4 << 30}
    found = findings(disc(iso=sizes), "dos", rule)
    assert [(one.where, one.found) for one in found] == [
        ("/B.CAB", str(most + 1)),
        ("/D.CAB", str(4 << 30)),
    ]


def test_a_directory_path_may_be_as_long_as_the_limit() -> None:
    """Microsoft KB Q156795: 64 characters without the drive."""
    just, over = f"/{'A' * 63}", f"/{'A' * 64}"
    assert findings(iso(f"{just[1:]}/"), "dos", "directory-path-length") == []
    (finding,) = findings(iso(f"{over[1:]}/"), "dos", "directory-path-length")
    assert (finding.where, finding.found) == (over, "65")
    # Of one as long as that, every directory inside is too long; each is told once.
    found = findings(iso(f"{just[1:]}/", f"{just[1:]}/B/", f"{just[1:]}/C/"), "dos")
    told = [item.where for item in found if item.rule == "directory-path-length"]
    assert told == [f"{just}/B", f"{just}/C"]


def test_lengths_count_16_bit_units() -> None:
    """Joliet names are UCS-2: a character beyond the first plane takes two units."""
    assert findings(joliet("\U0001f6df" * 32), "win9x", "joliet-name-length") == []
    assert len(findings(joliet("\U0001f6df" * 33), "win9x", "joliet-name-length")) == 1


def test_record_order_is_by_name_then_extension() -> None:
    """ECMA-119 9.3: names first, a shorter one as if filled with spaces."""
    in_order = iso("AB.TXT", "AB-1.TXT", "AB1.TXT", "ABC", "B.A", "B.B")
    assert findings(in_order, "dos", "records-in-order") == []


def test_an_associated_file_has_the_name_of_its_file() -> None:
    pair = (
        Entry("/A.TXT", "A.TXT;1", 1, False, flags=FLAG_ASSOCIATED),
        Entry("/A.TXT", "A.TXT;1", 1, False),
    )
    facts = DiscFacts(10_000_000, (VolumeFacts(VolumeKind.ISO9660, "DISC", pair),))
    assert findings(facts, "nt4", "paths-distinct") == []


def test_sharp_s_and_double_s_are_two_names() -> None:
    facts = joliet("Straße.txt", "STRASSE.TXT")
    assert findings(facts, "nt5", "names-distinct-without-case") == []


def test_names_that_differ_in_case_of_their_directory_clash_once() -> None:
    facts = joliet("Data/", "DATA/", "Data/a.txt", "DATA/a.txt")
    [finding] = findings(facts, "nt5", "names-distinct-without-case")
    assert finding.where == "/DATA"


@pytest.mark.parametrize(
    ("name", "fires"),
    [
        ("HIPPO~A1.PIC", True),  # KB Q159105
        ("HIPPO~1A.PIC", True),
        ("HIPPO~F", True),
        ("hippo~b2.pic", True),
        ("HIPPO~1.PIC", False),
        ("HIPPO~G1.PIC", False),
        ("HIPPOA1.PIC", False),
        ("HIPPOPOTAMUS~A1.PIC", False),  # no 8.3 name
    ],
)
def test_tilde_tails(name: str, fires: bool) -> None:
    assert bool(findings(joliet(name), "nt4", "tilde-tail")) is fires


@pytest.mark.parametrize("number", range(1, 10))
@pytest.mark.parametrize("port", ["COM", "LPT"])
def test_ports_of_win32(port: str, number: int) -> None:
    assert len(findings(joliet(f"{port}{number}"), "nt6", "device-name")) == 1
    assert len(findings(joliet(f"{port.lower()}{number}.log"), "nt6")) == 1


@pytest.mark.parametrize("name", ["COM0", "LPT0", "CLOCK$", "CONS", "NU", "A.CON"])
def test_names_that_are_no_devices_of_win32(name: str) -> None:
    rules = {finding.rule for finding in findings(joliet(name), "nt6")}
    assert rules.isdisjoint({"device-name", "device-name-with-extension"})


@pytest.mark.parametrize("name", ["COM5", "LPT4", "CLOCK"])
def test_names_that_are_no_devices_of_dos(name: str) -> None:
    assert findings(iso(name), "dos", "device-name") == []


def test_the_first_phase_matters_less_on_a_disc_that_does_not_boot() -> None:
    long_names = {"LONG_NAME.TEXT": 1}
    starts = disc(iso=long_names, joliet={"a": 1}, boot=boot(2))
    [finding] = findings(starts, "win9x", "first-phase-reads")
    assert finding.severity is Severity.WARNING
    assert "/LONG_NAME.TEXT" in finding.message
    for catalog in (None, boot(2, is_bootable=False)):
        facts = disc(iso=long_names, joliet={"a": 1}, boot=catalog)
        [finding] = findings(facts, "win9x", "first-phase-reads")
        assert finding.severity is Severity.NOTE


def test_a_disc_that_does_not_boot_has_no_wrong_boot_method() -> None:
    facts = disc(iso={"A": 1}, boot=boot(2, is_bootable=False))
    assert findings(facts, "nt4", "boot-method") == []


def test_one_fitting_boot_entry_is_enough() -> None:
    assert findings(disc(iso={"A": 1}, boot=boot(2, 0)), "nt4", "boot-method") == []


def test_files_in_several_sections_are_documented_for_the_nt_family() -> None:
    """KB Q93604: 4.0 and 2000 support level 3."""
    facts = disc(iso={"BIG.CAB": [4096, 100]})
    assert [findings(facts, target, "single-section") for target in ("nt4", "nt5", "nt6")] == [
        [],
        [],
        [],
    ]
    for target in ("dos", "win9x"):
        [finding] = findings(facts, target, "single-section")
        assert finding.severity is Severity.NOTE


def test_characters_are_named_so_that_a_person_can_see_them() -> None:
    [finding] = findings(joliet("a\x1b<b.txt"), "nt5", "name-characters")
    assert finding.found == 'U+001B, "<"'


def test_the_worst_severity_is_that_of_all_findings() -> None:
    for golden in GOLDEN:
        for facts in (golden.broken, golden.sound):
            for target, found in zip(
                TARGETS.values(), worst_for_targets(facts, TARGETS.values()), strict=True
            ):
                assert found == worst(check_disc(facts, target)), (golden.rule, target.name)
