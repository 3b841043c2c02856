"""What the plan adds to the run sheet: the machine, its steps, and what to know beside each."""

from __future__ import annotations

from pathlib import Path

from msgspec.structs import replace

from mediashelf.reports.bench.run_sheet import sheet_html, sheet_text
from mediashelf.reports.bench.sheet_chapters import SheetDevice
from mediashelf.reports.bench.sheet_contents import run_sheet
from mediashelf.sessions.manifests.parts import OpenFinding
from plan_texts import parse_plan
from run_sheets import FOR_HANDS, PLAN, Collector
from session_samples import sample_manifest


def test_the_plan_adds_the_machine_its_steps_and_the_order_of_systems() -> None:
    plan = parse_plan(PLAN, Path())
    devices = [
        SheetDevice(
            "win9x", "Quillon Audio 16", "third slot", "disc 2: Quillon", "incomplete: a.vxd"
        ),
        SheetDevice("win9x", "Modem", "", "", "no driver on these discs"),
    ]
    manifest = sample_manifest()
    sheet = run_sheet(manifest, plan, devices)
    assert [one.title for one in sheet.chapters] == ["win9x", "dos"]
    assert [step.do for step in sheet.steps] == ["Take 768 MB out"]
    (win9x, dos) = sheet.chapters
    told = [item.step.do if item.step else item.disc.disc.position for item in win9x.items]  # type: ignore[union-attr]
    assert told == [1, "Restart", "Look at the drive", 2, 3]
    # What is for no one system is done at each use of its disc.
    assert [item.step.do for item in dos.items if item.step] == [
        "Make the partitions",
        "Look at the drive",
    ]
    assert (len(win9x.devices), dos.devices) == (2, ())
    for words in (
        Collector(sheet_html(manifest, plan, devices)).words,
        sheet_text(manifest, plan, devices),
    ):
        flat = " ".join(words.split())
        for text in (
            *("450 MHz, 256 MiB of memory, disk of 4 GB, PC BIOS, starts from USB drives",),
            *("Boot order: USB first", "third slot", "IRQ 5", "Restart", "FAT16", "500MB"),
            *("disc 2: Quillon", "incomplete: a.vxd", "no driver on these discs"),
            "sticker under the case",
        ):
            assert text in flat, text


def trap(rule: str, target: str, message: str) -> OpenFinding:
    return replace(FOR_HANDS, rule=rule, target=target, message=message)


def test_a_step_without_a_system_is_not_told_before_its_disc() -> None:
    """A tester comes first, for no system; the benchmark after disc 2 is no part of it."""
    manifest = sample_manifest()
    tester = replace(manifest.discs[0], targets=(), passed=())
    manifest = replace(manifest, discs=(tester, *manifest.discs[1:]))
    text = PLAN.replace(b"[[disc]]", b'[[step]]\ndo = "Measure"\nafter = "b"\n[[disc]]', 1)
    chapters = run_sheet(manifest, parse_plan(text, Path())).chapters
    assert [(one.title, [item.step.do for item in one.items if item.step]) for one in chapters] == [
        ("no system", []),
        ("win9x", ["Restart", "Look at the drive", "Measure"]),
        ("dos", ["Make the partitions", "Look at the drive", "Measure"]),
    ]


def test_what_to_know_of_partitions_is_beside_the_step_that_makes_them() -> None:
    traps = (
        trap("planned-filesystem-of-win9x", "win9x", "It cannot read NTFS"),
        *(trap("disk-within-int13", one, "The disk is large") for one in ("win9x", "dos")),
    )
    manifest = replace(sample_manifest(), open_findings=traps)
    sheet = run_sheet(manifest, parse_plan(PLAN, Path()))
    (win9x, dos) = sheet.chapters
    assert (sheet.before, win9x.watch, dos.watch) == ((), (), ())
    (step,) = [item for item in dos.items if item.step and item.step.partitions]
    told = ["It cannot read NTFS (win9x)", "The disk is large (win9x, dos)"]
    assert [one.message for one in step.watch] == told
    for words in (
        Collector(sheet_html(manifest, parse_plan(PLAN, Path()))).words,
        sheet_text(manifest, parse_plan(PLAN, Path())),
    ):
        flat = " ".join(words.split())
        assert flat.index("For dos") < flat.index("500MB") < flat.index(told[0])
    # Where no step makes any, it is in the system's chapter, or before the first disc.
    (dos, win9x) = run_sheet(manifest).chapters
    assert [one.message for one in run_sheet(manifest).before] == [told[1]]
    assert [one.message for one in win9x.watch] == ["It cannot read NTFS"]
    # Before every disc and for no one system: with what is done first.
    first = PLAN.replace(b'system = "dos"\npartitions', b"partitions")
    before = run_sheet(manifest, parse_plan(first, Path())).before
    assert [one.message for one in before] == told


def test_what_to_know_of_an_installer_is_beside_its_disc_for_each_system() -> None:
    systems = ("win9x", "dos")
    traps = tuple(trap("cd-letter-after-restart", one, "The letter moves") for one in systems)
    manifest = replace(sample_manifest(), open_findings=traps)
    sheet = run_sheet(manifest)
    assert sheet.before == ()
    for chapter in sheet.chapters:
        watched = [item.disc.disc.position for item in chapter.items if item.watch and item.disc]
        assert (chapter.watch, watched) == ((), [1])
    silent = replace(manifest.discs[1], after=(), boot=())
    for chapter in run_sheet(replace(manifest, discs=(silent,))).chapters:
        assert [one.message for one in chapter.watch] == ["The letter moves"]


def test_a_second_disk_is_named() -> None:
    manifest = sample_manifest()
    one, two = (parse_plan(PLAN.replace(b'"500MB"', text), Path()) for text in (
        b'"500MB"', b'"500MB", disk = 2'
    ))  # fmt: skip
    assert "<th>Disk</th>" not in sheet_html(manifest, one)
    assert '<td data-head="Disk">2</td>' in sheet_html(manifest, two)
    assert "dos, FAT16, 500MB, disk 2" in sheet_text(manifest, two)


def test_what_the_host_does_not_see_whole_is_said() -> None:
    manifest = sample_manifest()
    large = replace(
        manifest.discs[1],
        position=1,
        size=1_152_001 * 2048,
        served_blocks=1_151_999,
        servable=False,
    )
    text = " ".join(sheet_text(replace(manifest, discs=(large,))).split())
    assert "Do not use: the emulator serves 1,151,999 of 1,152,001 blocks" in text
    disk = replace(manifest.discs[0], presentation="disk", block_size=512)
    assert "read-only USB disk" in sheet_text(replace(manifest, discs=(disk,)))


def test_the_cautions_are_there_before_the_first_disc() -> None:
    manifest = sample_manifest()
    for words in (Collector(sheet_html(manifest)).words, sheet_text(manifest)):
        flat = " ".join(words.replace("*", " ").split())
        caution = flat[flat.index("CAUTION") : flat.index("Order of systems")]
        assert "Discs 1 and 3 start the machine and may erase its disks" in caution
        assert "pull the mains plug" in caution
        assert "licensed people; follow your local electrical rules" in caution
        assert "static electricity" in caution
        assert "from one supply only" in caution
        assert "only while the emulator is switched off" in caution
        assert "with valid licences" in caution
    one = replace(manifest, discs=manifest.discs[:1])
    assert "Disc 1 starts the machine" in sheet_text(one)
    none = replace(manifest, discs=manifest.discs[1:2])
    assert "Programs on discs may erase disks" in sheet_text(none)
