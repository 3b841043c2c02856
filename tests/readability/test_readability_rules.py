"""Every rule fires on a disc that breaks it and not on one that just keeps to it."""

from __future__ import annotations

import re

import pytest
from msgspec.structs import replace

from disc_facts import boot, disc, entries, udf, volume
from golden_rules import GOLDEN, Golden, iso, joliet
from mediashelf.findings import Finding, Severity, worst
from mediashelf.formats.volume import (
    FLAG_ASSOCIATED,
    DiscFacts,
    Entry,
    Extent,
    VolumeFacts,
    VolumeKind,
)
from mediashelf.readability.check import check_disc, check_targets, worst_for_targets
from mediashelf.readability.limits import LIMIT_KINDS, UNPUBLISHED
from mediashelf.readability.rules.table import RULES
from mediashelf.readability.targets import load_targets

TARGETS = load_targets()


def findings(facts: DiscFacts, target: str, rule: str = "") -> list[Finding]:
    found = check_disc(facts, TARGETS[target])
    return [finding for finding in found if not rule or finding.rule == rule]


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


NOTE, WARNING, ERROR = Severity.NOTE, Severity.WARNING, Severity.ERROR


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


# Which tree is looked at


def test_names_in_a_tree_that_is_not_read_do_not_matter() -> None:
    facts = disc(iso={"lower-case name.text": 5000}, joliet={"Fine.txt": 5000})
    assert findings(facts, "nt4", "iso-capitals") == []
    assert findings(facts, "dos", "iso-name-form") != []
    facts = disc(iso={"FINE.TXT": 5000}, joliet={"bad?.txt": 5000})
    assert findings(facts, "dos", "name-characters") == []
    assert findings(facts, "win9x", "name-characters") != []


def test_a_target_falls_back_to_the_next_tree() -> None:
    facts = iso("A" * 40 + ".TXT")
    assert [finding.where for finding in findings(facts, "nt4", "iso-name-length")] == [
        f"/{'A' * 40}.TXT"
    ]


def test_udf_that_was_not_read_leaves_the_joliet_tree_to_be_checked() -> None:
    facts = disc(iso={"A": 1}, joliet={"a?": 1}, others=[udf("NSR02", 0x0102)])
    assert [finding.where for finding in findings(facts, "nt5", "name-characters")] == ["/a?"]
    [note] = findings(facts, "nt5", "udf-tree-checked")
    assert note.severity is Severity.NOTE
    assert "Joliet tree was" in note.message


def test_udf_alone_that_was_not_read_is_a_warning() -> None:
    [finding] = findings(disc(others=[udf("NSR02", 0x0102)]), "nt5")
    assert (finding.rule, finding.severity) == ("udf-tree-checked", Severity.WARNING)


def test_names_of_a_udf_tree_that_was_read_are_checked() -> None:
    facts = disc(others=[volume(VolumeKind.UDF, {"nul": 5000}, udf_revision=0x0102)])
    assert [finding.where for finding in findings(facts, "nt5", "device-name")] == ["/nul"]


def test_too_new_udf_beside_a_tree_that_is_read_is_a_note() -> None:
    facts = disc(iso={"A": 1}, others=[udf("NSR03", 0x0260)])
    assert [finding.severity for finding in findings(facts, "nt5", "udf-readable")] == [
        Severity.NOTE
    ]
    alone = disc(others=[udf("NSR03", 0x0260)])
    assert [finding.severity for finding in findings(alone, "nt5", "udf-readable")] == [
        Severity.ERROR
    ]


def test_a_udf_tree_that_is_too_new_is_not_the_one_that_is_read() -> None:
    bridge = disc(
        iso={"A.TXT": 5000},
        joliet={"nul": 5000},
        others=[volume(VolumeKind.UDF, {"fine": 5000}, udf_revision=0x0250)],
    )
    assert [item.where for item in findings(bridge, "nt5", "device-name")] == ["/nul"]
    assert findings(bridge, "nt6", "device-name") == []
    alone = disc(others=[udf("NSR03", 0x0250)])
    assert [item.rule for item in findings(alone, "nt5")] == ["udf-readable"]


def test_small_files_that_udf_embeds_are_not_missing_from_other_trees() -> None:
    embedded = Entry("/a.txt", "a.txt", 10, False, (Extent(270, 10, offset=216),))
    tree = VolumeFacts(VolumeKind.UDF, "DISC", (embedded,), udf_revision=0x0102)
    facts = disc(iso={"A.TXT": 10}, others=[tree])
    for target in ("dos", "nt5"):  # which reads UDF
        assert findings(facts, target, "tree-names-all-files") == []


def test_a_file_that_udf_embeds_can_be_missing_too() -> None:
    embedded = Entry("/b.txt", "b.txt", 12, False, (Extent(270, 12, offset=216),))
    same = volume(VolumeKind.UDF, {"a.txt": 10, "empty": 0}).entries
    tree = VolumeFacts(VolumeKind.UDF, "DISC", (*same, embedded), udf_revision=0x0102)
    facts = disc(iso={"A.TXT": 10, "EMPTY": 0}, others=[tree])
    assert [item.where for item in findings(facts, "dos", "tree-names-all-files")] == ["/b.txt"]
    assert findings(facts, "nt5", "tree-names-all-files") == []
    other = disc(iso={"A.TXT": 10, "C.TXT": 11, "EMPTY": 0}, others=[tree])
    assert [item.where for item in findings(other, "nt5", "tree-names-all-files")] == ["/C.TXT"]


def test_a_file_that_may_be_another_is_not_said_to_be_there() -> None:
    embedded = Entry("/b.dat", "b.dat", 10, False, (Extent(270, 10, offset=216),))
    tree = VolumeFacts(VolumeKind.UDF, "DISC", (embedded,), udf_revision=0x0102)
    facts = disc(iso={"A.TXT": 10}, others=[tree])
    for target, path in (("dos", "/b.dat"), ("nt5", "/A.TXT")):
        (found,) = findings(facts, target, "tree-names-all-files")
        assert (found.where, found.severity) == (path, Severity.NOTE)
        assert "is not known" in found.message


def test_a_notice_for_systems_without_udf_is_missed_by_nobody() -> None:
    """Common practice: the one file of the ISO 9660 tree says that the disc is in UDF."""
    contents = {"sources/": 0, "setup.exe": 5000, "sources/boot.wim": 5000}
    tree = VolumeFacts(VolumeKind.UDF, "D", entries(contents, first_lba=300), udf_revision=0x0102)
    notice = disc(iso={"README.TXT": 135}, others=[tree])
    (found,) = findings(notice, "nt5", "tree-names-all-files")
    assert (found.where, found.severity) == ("/README.TXT", Severity.NOTE)
    assert len(findings(notice, "dos", "tree-names-all-files")) == 2
    for other in ({"README.TXT": 135, "SETUP.EXE": 9}, {"INSTALL.WIM": 90_000}):
        (found, *_) = findings(disc(iso=other, others=[tree]), "nt5", "tree-names-all-files")
        assert found.severity is Severity.ERROR


@pytest.mark.parametrize("files", [{}, {"EMPTY": 0}])
def test_a_tree_without_contents_lacks_every_file(files: dict[str, int]) -> None:
    facts = disc(iso=files, joliet={**files, "a.txt": 5000})
    assert [item.where for item in findings(facts, "dos", "tree-names-all-files")] == ["/a.txt"]
    assert findings(facts, "win9x", "tree-names-all-files") == []


def test_files_in_udf_alone_are_missing_for_a_target_without_it() -> None:
    tree = volume(VolumeKind.UDF, {"readme.txt": 5, "setup.cab": 5}, udf_revision=0x0102)
    facts = disc(iso={"README.TXT": 5}, others=[tree])
    assert [item.where for item in findings(facts, "nt4", "tree-names-all-files")] == ["/setup.cab"]
    assert findings(facts, "nt5", "tree-names-all-files") == []


def test_udf_that_not_every_member_reads_is_a_warning() -> None:
    # Microsoft KB Q218617 of the later members, Q234781 of the first.
    alone = disc(others=[udf("NSR02", 0x0102)])
    found = findings(alone, "win9x")[0]
    assert found.rule == "udf-read-by-some"
    assert found.severity is WARNING
    assert "not every member" in found.message
    (none,) = findings(alone, "nt4", "file-system-readable")
    assert none.severity is ERROR


def test_udf_of_unknown_revision_is_a_note_that_says_how_it_knows() -> None:
    [finding] = findings(disc(others=[udf("NSR03")]), "nt5", "udf-readable-by-all")
    assert finding.severity is Severity.NOTE
    assert "from memory" in finding.message
    assert findings(disc(others=[udf("NSR02")]), "nt5", "udf-readable-by-all") == []


# Single rules in more detail


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


def test_shared_contents_are_told_apart_by_their_names() -> None:
    """Equal files can share one extent; a long name that is kept is not said to be lost."""
    iso_tree = VolumeFacts(
        VolumeKind.ISO9660,
        "DISC",
        tuple(same_place("/README.TXT", "/LICENCE.TXT", "/VERYLONG.TXT")),
    )
    joliet_tree = VolumeFacts(
        VolumeKind.JOLIET,
        "DISC",
        tuple(same_place("/Readme.txt", "/Licence.txt", "/Very long name.txt")),
    )
    found = findings(DiscFacts(10_000, (iso_tree, joliet_tree)), "dos", "long-name-seen")
    assert [(finding.where, finding.expected) for finding in found] == [
        ("/VERYLONG.TXT", "Very long name.txt")
    ]


def same_place(*paths: str) -> list[Entry]:
    return [Entry(path, path[1:], 10, False, (Extent(30, 10),)) for path in paths]


def test_boot_files_in_one_tree_only_are_no_loss() -> None:
    iso_tree = {"BOOT.IMG": 2048, "A.TXT": 5}
    facts = disc(
        others=[
            volume(VolumeKind.ISO9660, iso_tree),
            VolumeFacts(VolumeKind.JOLIET, "DISC", volume(VolumeKind.JOLIET, iso_tree).entries[1:]),
        ]
    )
    assert [item.where for item in findings(facts, "nt5", "tree-names-all-files")] == ["/BOOT.IMG"]
    image = facts.volumes[0].entries[0].extents[0].lba
    catalog = boot(0)
    catalog = replace(catalog, entries=(replace(catalog.entries[0], load_lba=image),))
    assert findings(replace(facts, boot=catalog), "nt5", "tree-names-all-files") == []


def test_lists_of_long_names_are_in_the_short_tree_alone() -> None:
    # Common practice: systems that read Joliet need none.
    short = {"A.TXT": 5, "TRANS.TBL": 70, "DIR/TRANS.TBL": 80}
    facts = disc(iso=short, joliet={"A.TXT": 5})
    assert findings(facts, "nt5", "tree-names-all-files") == []
    other = disc(iso={**short, "TRANS.TXT": 90}, joliet={"A.TXT": 5})
    places = [item.where for item in findings(other, "nt5", "tree-names-all-files")]
    assert places == ["/TRANS.TXT"]


def test_a_damaged_tree_is_not_said_to_lack_files() -> None:
    facts = disc(
        joliet={"a.txt": 5, "b.txt": 5},
        others=[volume(VolumeKind.ISO9660, {"A.TXT": 5}, is_complete=False)],
    )
    assert findings(facts, "dos", "tree-names-all-files") == []


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
