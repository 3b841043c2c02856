"""Which tree a target reads, and what it misses in it that another tree has."""

from __future__ import annotations

import pytest
from msgspec.structs import replace

from disc_facts import boot, disc, entries, udf, volume
from golden_rules import iso
from mediashelf.findings import Severity
from mediashelf.formats.volume import DiscFacts, Entry, Extent, VolumeFacts, VolumeKind
from rule_findings import ERROR, WARNING, findings


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
    (nothing,) = findings(disc(), "nt4", "file-system-readable")
    assert nothing.found == "no file system"
    (none,) = findings(alone, "nt4", "file-system-readable")
    assert none.severity is ERROR


def test_udf_of_unknown_revision_is_a_note_that_says_how_it_knows() -> None:
    [finding] = findings(disc(others=[udf("NSR03")]), "nt5", "udf-readable-by-all")
    assert finding.severity is Severity.NOTE
    assert "from memory" in finding.message
    assert findings(disc(others=[udf("NSR02")]), "nt5", "udf-readable-by-all") == []


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
