"""A card after ``prepare``: what is on it, again and again, and whose files are left alone."""

from __future__ import annotations

import hashlib
import json
import shutil
import subprocess

from msgspec.structs import replace

from make_image import make_iso
from mediashelf.building.planning.disc_plan import plan_disc
from mediashelf.building.recipes.recipe import load_recipe
from mediashelf.building.writing.write import build_disc
from mediashelf.findings import Finding, Severity
from mediashelf.sessions.cards.placed import Action
from mediashelf.sessions.describe import condense
from mediashelf.sessions.manifests.manifest import read_manifest
from mediashelf.sessions.manifests.parts import BootWay, LunWrite, Origin
from prepared_cards import DRIVERS, SLIDES, SYSTEM, check
from session_bench import (
    CREATED,
    DRIVER_DISC,
    LATER,
    SLIDES_DISC,
    SYSTEM_DISC,
    Bench,
    noise,
    slides_image,
)


def test_the_card_holds_the_discs_in_order_with_manifest_and_sheet(bench: Bench) -> None:
    prepared = bench.prepare()
    on_card = bench.on_card()
    assert sorted(on_card) == [SYSTEM, DRIVERS, SLIDES, "manifest.json", "run-sheet.txt"]
    assert on_card[SYSTEM] == bench.system.read_bytes()
    assert on_card[SLIDES] == bench.slides.read_bytes()
    manifest = read_manifest(bench.card / "manifest.json")
    assert manifest == prepared.manifest
    assert check(bench) == []
    first, second, third = manifest.discs
    assert (first.label, first.purpose) == ("KIOSK_SYSTEM", "Install the system")
    assert [disc.code for disc in manifest.discs] == ["K4E", "X2C", "Y7H"]
    assert first.origin == Origin("copied", "system.iso", first.size, first.digests)
    assert second.origin == Origin("built", "drivers.toml", None, None)
    assert first.boot == (BootWay("floppy-1.44MB", "x86"),)
    assert second.boot == ()
    assert second.after == (1,)
    assert first.targets == first.passed == ("win9x",)
    assert first.contents.top == ("FILES/", "SETUP.EXE")
    assert third.served_blocks == bench.slides.stat().st_size // 2048
    # The order that the kernel needs: file last, everything else before.
    assert [write.attribute for write in first.lun][-1] == "file"
    assert {LunWrite("ro", "1"), LunWrite("cdrom", "1")} <= set(first.lun[:-1])
    assert manifest.start == "last"
    assert [disc.erases for disc in manifest.discs] == [True, False, False]
    assert all(disc.servable for disc in manifest.discs)
    assert manifest.eject == (LunWrite("file", ""),)


def test_digests_are_those_of_hashlib_and_coreutils(bench: Bench) -> None:
    bench.prepare()
    manifest = read_manifest(bench.card / "manifest.json")
    on_card = bench.on_card()
    for image in manifest.images:
        assert hashlib.sha256(on_card[image.path]).hexdigest() == image.digests.sha256
    if shutil.which("sha256sum"):
        lines = "".join(f"{image.digests.sha256}  {image.path}\n" for image in manifest.images)
        subprocess.run(
            ["sha256sum", "--check", "--strict", "--quiet"],
            input=lines,
            text=True,
            cwd=bench.card,
            check=True,
        )


def test_a_built_disc_is_the_one_that_build_makes(bench: Bench) -> None:
    bench.prepare()
    alone = bench.folder / "alone.iso"
    build_disc(plan_disc(load_recipe(bench.folder / "drivers.toml")), alone)
    assert bench.on_card()[DRIVERS] == alone.read_bytes()


def test_the_second_run_changes_nothing(bench: Bench) -> None:
    bench.prepare()
    before, inodes = bench.on_card(), bench.inodes()
    prepared = bench.prepare(created=LATER)
    assert bench.on_card() == before  # the moment in the manifest is kept as well
    assert bench.inodes() == inodes
    assert [step.action for step in prepared.session.arrangement.discs] == [Action.KEEP] * 3
    bench.write_plan(SYSTEM_DISC, SLIDES_DISC)
    assert bench.prepare(created=LATER).manifest.created == LATER


def test_a_new_order_renames_what_is_there(bench: Bench) -> None:
    bench.prepare()
    before = bench.inodes()
    bench.write_plan(SLIDES_DISC, SYSTEM_DISC, DRIVER_DISC)
    prepared = bench.prepare()
    assert prepared.session.arrangement.write_size == 0
    assert bench.images_on_card() == [
        "01-Y7H-SLIDES.iso",
        "02-K4E-KIOSK-SYSTEM.iso",
        "03-X2C-KIOSKDRV.iso",
    ]
    assert bench.inodes()["01-Y7H-SLIDES.iso"] == before[SLIDES]
    assert prepared.manifest.earlier_files == ()
    assert check(bench) == []


def test_discs_of_one_label_keep_their_codes_in_another_order(bench: Bench) -> None:
    (bench.folder / "library" / "other.iso").write_bytes(slides_image(650_000))
    first, second = SLIDES_DISC, 'image = "library/other.iso"'
    bench.write_plan(first, second)
    codes = [disc.code for disc in bench.prepare().manifest.discs]
    assert len(set(codes)) == 2
    bench.write_plan(second, first)
    prepared = bench.prepare()
    assert [disc.code for disc in prepared.manifest.discs] == codes[::-1]
    assert prepared.session.arrangement.write_size == 0
    assert check(bench) == []


def test_discs_that_swap_names_are_copied_again(bench: Bench) -> None:
    """Two images of one label and name: a chain of renamings would not survive being cut."""
    other = slides_image(650_000)
    (bench.folder / "library" / "other").mkdir()
    (bench.folder / "library" / "other" / "slides.iso").write_bytes(other)
    first, second = SLIDES_DISC, 'image = "library/other/slides.iso"'
    bench.write_plan(first, second)
    names = [disc.path for disc in bench.prepare().manifest.discs]
    bench.write_plan(second, first)
    prepared = bench.prepare()
    assert [disc.path for disc in prepared.manifest.discs] == names
    assert [step.action for step in prepared.session.arrangement.discs] == [Action.COPY] * 2
    assert bench.on_card()[names[0]] == other
    assert bench.on_card()[names[1]] == bench.slides.read_bytes()
    assert check(bench) == []


def test_a_damaged_copy_on_the_card_is_made_again(bench: Bench) -> None:
    bench.prepare()
    with (bench.card / SYSTEM).open("r+b") as stream:
        stream.seek(500_000)
        stream.write(b"\xff\x00\xff")
    prepared = bench.prepare()
    actions = [step.action for step in prepared.session.arrangement.discs]
    assert actions == [Action.COPY, Action.KEEP, Action.KEEP]
    assert bench.on_card()[SYSTEM] == bench.system.read_bytes()


def test_a_new_version_of_an_image_replaces_ours(bench: Bench) -> None:
    bench.prepare()
    bench.slides.write_bytes(slides_image(650_000))
    bench.prepare()
    assert bench.on_card()[SLIDES] == bench.slides.read_bytes()
    assert bench.images_on_card() == [SYSTEM, DRIVERS, SLIDES]
    assert check(bench) == []


def test_a_disc_that_is_used_twice_is_on_the_card_once(bench: Bench) -> None:
    again = SYSTEM_DISC.replace("Install", "Go on with")
    bench.write_plan(f'{SYSTEM_DISC}\nname = "first"', SLIDES_DISC, again)
    manifest = bench.prepare().manifest
    assert bench.images_on_card() == [SYSTEM, "02-Y7H-SLIDES.iso"]
    assert [disc.repeats for disc in manifest.discs] == [None, None, 1]
    assert manifest.discs[2].purpose == "Go on with the system"
    assert check(bench) == []


def theirs(bench: Bench) -> dict[str, bytes]:
    """Put files of somebody else on the card, also under names that we would take."""
    (bench.card / "holiday").mkdir()
    (bench.card / "holiday" / SLIDES).write_bytes(b"inside")
    for name in (SYSTEM.lower(), "holiday.jpg", "run-sheet.txt", ".hidden.mediashelf-partial"):
        (bench.card / name).write_bytes(f"mine: {name}".encode())
    (bench.card / SLIDES).mkdir()
    (bench.card / DRIVERS).symlink_to("holiday.jpg")
    return bench.on_card()


def test_files_of_others_are_never_touched(bench: Bench) -> None:
    before = theirs(bench)
    prepared = bench.prepare(tidy=True)
    after = bench.on_card()
    assert before.items() <= after.items()
    assert (bench.card / "holiday" / SLIDES).read_bytes() == b"inside"
    assert [disc.path for disc in prepared.manifest.discs] == [
        "01-K4E-KIOSK-SYSTEM-2.iso",
        "02-X2C-KIOSKDRV-2.iso",
        "03-Y7H-SLIDES-2.iso",
    ]
    assert [file.path for file in prepared.manifest.other_files] == ["run-sheet-2.txt"]
    assert {one.rule for one in check(bench)} == {"card-extra-files", "card-partial-files"}
    # Nor by the next run, which keeps what is ours.
    prepared = bench.prepare(tidy=True)
    assert prepared.session.arrangement.write_size == 0
    assert bench.on_card() == after


def test_a_file_of_ours_that_somebody_replaced_is_theirs(bench: Bench) -> None:
    bench.prepare()
    (bench.card / SLIDES).write_bytes(b"my own disc now")
    prepared = bench.prepare(tidy=True)
    assert bench.on_card()[SLIDES] == b"my own disc now"
    assert prepared.manifest.discs[2].path == "03-Y7H-SLIDES-2.iso"


def test_notes_on_the_run_sheet_stay(bench: Bench) -> None:
    bench.prepare()
    size = len(bench.on_card()["run-sheet.txt"])
    (bench.card / "run-sheet.txt").write_bytes(b"x" * size)
    prepared = bench.prepare(tidy=True)
    assert bench.on_card()["run-sheet.txt"] == b"x" * size
    assert [file.path for file in prepared.manifest.other_files] == ["run-sheet-2.txt"]


def test_earlier_files_are_remembered_until_they_are_tidied(bench: Bench) -> None:
    bench.prepare()
    bench.write_plan(SLIDES_DISC)
    bench.prepare()
    bench.write_plan(DRIVER_DISC.replace('\nafter = "library/system.iso"', ""))
    prepared = bench.prepare()
    # The slides and drivers were renamed, the system disc is left of the first session.
    assert [file.path for file in prepared.manifest.earlier_files] == [
        "01-K4E-KIOSK-SYSTEM.iso",
        "01-Y7H-SLIDES.iso",
    ]
    assert "card-earlier-files" in {one.rule for one in check(bench)}
    (bench.card / "holiday.jpg").write_bytes(b"mine")
    with (bench.card / "01-Y7H-SLIDES.iso").open("r+b") as stream:
        stream.write(b"somebody wrote here")
    prepared = bench.prepare(tidy=True)
    assert [file.path for file in prepared.tidied] == ["01-K4E-KIOSK-SYSTEM.iso"]
    assert bench.images_on_card() == ["01-X2C-KIOSKDRV.iso", "01-Y7H-SLIDES.iso"]
    assert bench.on_card()["holiday.jpg"] == b"mine"


def test_hostile_labels_become_plain_names(bench: Bench) -> None:
    hostile = make_iso({"A.TXT": noise("a", 700_000)}, label="../../ETC/\x1b[2J", joliet=3)
    bench.slides.write_bytes(hostile.data)
    bench.write_plan(SLIDES_DISC)
    manifest = bench.prepare(anyway=True).manifest
    assert bench.images_on_card() == ["01-K2M-ETC-2J.iso"]
    text = (bench.card / "manifest.json").read_text()
    assert "\x1b" not in json.loads(text)["discs"][0]["label"]
    assert manifest.discs[0].label


def test_findings_are_condensed_worst_first(bench: Bench) -> None:
    one = Finding("a-rule", Severity.NOTE, "/A", "message", target="dos")
    rows = condense([one, replace(one, where="/B"), replace(one, severity=Severity.ERROR)])
    assert [(row.severity, row.where, row.count) for row in rows] == [
        ("error", "/A", 1),
        ("note", "/A", 2),
    ]
    (row,) = condense([replace(one, message="x\n" * 3000)])
    assert len(row.message) == 2000
    assert "\n" not in row.message


def test_the_moment_is_the_one_that_is_given(bench: Bench) -> None:
    assert bench.prepare().manifest.created == CREATED
