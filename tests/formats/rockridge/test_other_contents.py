"""Files that are more than their recorded bytes: symbolic links, and those zisofs compressed."""

from __future__ import annotations

from pathlib import Path

import image_parts as parts
from make_image import MadeImage, make_iso
from mediashelf.building.planning.disc_plan import plan_disc
from mediashelf.building.recipes.source_names import recipe_from_folders
from mediashelf.findings import Severity
from mediashelf.image import open_image
from mediashelf.jobs.images.extracting import extract_files
from mediashelf.jobs.library.comparing import compare_places
from mediashelf.readability.check import Readability, verdict_on
from mediashelf.trees.opening import open_tree

FILES = {"A.TXT": b"a", "B.TXT": b"bytes", "C.TXT": b"bytes", "DIR/D.TXT": b"d"}
# Linux kernel 6.12, fs/isofs/rock.h: the method, header size / 4, log2 of a block, the size.
COMPRESSED = parts.use_entry(b"ZF", b"pz\x04\x0f" + parts.both32(100_000))
LINK = parts.use_entry(b"SL", b"\x00\x04\x00\x00\x05A.TXT")  # "../A.TXT"


def made(use: bytes) -> MadeImage:
    """A disc on which the records of two files have one more entry."""
    two = dict.fromkeys(("/B.TXT", "/C.TXT"), lambda lba_of: use)
    return make_iso(FILES, rock_ridge=True, system_use=two)


def test_compressed_files_are_counted(tmp_path: Path) -> None:
    # Linux kernel 6.12, fs/isofs/rock.c: ZF with the method pz.
    with open_image(made(COMPRESSED).save(tmp_path / "zisofs.iso")) as image:
        (finding,) = image.findings
    assert (finding.rule, finding.severity) == ("rockridge-compressed", Severity.WARNING)
    assert finding.where == "/B.TXT (rockridge)"
    assert finding.message == "2 files compressed with zisofs, read without unpacking"


def test_a_compressed_file_in_sections_is_one(tmp_path: Path) -> None:
    # ECMA-119 6.5.1: each section of a file has a record, and so an entry, of its own.
    image = make_iso(
        {"B.TXT": b"b" * 5000},
        rock_ridge=True,
        sections={"B.TXT": 2048},
        system_use={"/B.TXT": lambda lba_of: COMPRESSED},
    ).save(tmp_path / "sections.iso")
    with open_image(image) as opened:
        (finding,) = opened.findings
    assert finding.message == "1 file compressed with zisofs, read without unpacking"


def test_nobody_reads_compressed_files_without_care(tmp_path: Path) -> None:
    # Own behaviour: that systems without zisofs read them is not shown.
    with open_image(made(COMPRESSED).save(tmp_path / "zisofs.iso")) as image:
        assert verdict_on([], image.findings) is Readability.WITH_CARE
    with open_image(made(b"").save(tmp_path / "plain.iso")) as image:
        assert verdict_on([], image.findings) is Readability.READS


def test_extracting_says_what_is_not_as_it_seems(tmp_path: Path) -> None:
    # RRIP 1.12, 4.1.3; Linux kernel 6.12, fs/isofs/rock.c.
    for use, rule in ((COMPRESSED, "rockridge-compressed"), (LINK, "rockridge-links")):
        image = made(use).save(tmp_path / f"{rule}.iso")
        taken = extract_files(image, [], tmp_path / rule)
        assert [(one.rule, one.where) for one in taken.findings] == [
            (rule, f"{image}:/B.TXT (rockridge)")
        ]


def test_such_files_do_not_keep_a_disc_from_being_built(tmp_path: Path) -> None:
    # What is known is said; the bytes are taken as every reader of the standard takes them.
    image = made(COMPRESSED + LINK).save(tmp_path / "both.iso")
    plan = plan_disc(recipe_from_folders([image]))
    assert {one.rule: one.severity for one in plan.findings if "rockridge" in one.rule} == {
        "rockridge-compressed": Severity.WARNING,
        "rockridge-links": Severity.NOTE,
    }


def test_links_are_no_difference_between_equal_discs(tmp_path: Path) -> None:
    # Own behaviour: the same bytes on both sides.
    image = made(LINK).save(tmp_path / "links.iso")
    copy = made(LINK).save(tmp_path / "copy.iso")
    compared = compare_places((image, copy), names=("A", "B"))
    assert compared.findings == ()


def test_links_are_counted(tmp_path: Path) -> None:
    # RRIP 1.12, 4.1.3.
    with open_image(made(LINK).save(tmp_path / "links.iso")) as image:
        (finding,) = image.findings
    assert (finding.rule, finding.severity) == ("rockridge-links", Severity.NOTE)
    assert finding.message == "2 symbolic links, read as empty files"


def test_a_relocated_directory_does_not_hide_the_long_names(tmp_path: Path) -> None:
    # RRIP 1.12, 4.1.5.1: its link is an empty file in the primary tree alone.
    image = make_iso(
        {"TABLES/DEEP/A.TXT": b"a"},
        rock_ridge=True,
        long_names={"TABLES/DEEP/A.TXT": "a long name.text"},
        relocate=["TABLES/DEEP"],
    ).save(tmp_path / "moved.iso")
    with open_tree(image) as tree:
        assert "TABLES/DEEP/a long name.text" in [member.path for member in tree.members]
