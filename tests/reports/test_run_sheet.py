"""The run sheet: complete, narrow enough, self-contained, and safe whatever a disc is called."""

from __future__ import annotations

import re
from html.parser import HTMLParser
from pathlib import Path

import pytest
from hypothesis import given, settings
from msgspec.structs import replace
from test_pages_in_browser import MEASURE, PHONE, frame, run, said_by

from browser import assert_blanks_kept, printed_pages
from mediashelf.reports.bench.run_sheet import TEXT_WIDTH, sheet_html, sheet_text
from mediashelf.reports.bench.sheet_chapters import SheetDevice
from mediashelf.reports.bench.sheet_contents import run_sheet
from mediashelf.sessions.manifests.parts import Contents, OpenFinding, Origin
from mediashelf.sessions.manifests.values import Manifest, ManifestSession
from mediashelf.text import display_width
from plan_texts import parse_plan
from session_samples import FINDING, SOME_DIGESTS, manifests, sample_manifest

HOSTILE = "<script>alert(1)</script>\x1b[2J\u202e&quot;'\""


def hostile_manifest() -> Manifest:
    """A manifest in which every text that may come from a disc or a plan is hostile."""
    manifest = sample_manifest()
    finding = replace(
        FOR_HANDS, where=HOSTILE, message=HOSTILE, remedy=HOSTILE, source=HOSTILE, target=HOSTILE
    )
    disc = replace(
        manifest.discs[0],
        label=HOSTILE,
        purpose=HOSTILE,
        expect=HOSTILE,
        targets=(HOSTILE,),
        passed=(),
        path=HOSTILE,
        origin=Origin("converted", HOSTILE, 1, SOME_DIGESTS, 7),
        contents=Contents(1, 1, (HOSTILE,)),
        open_findings=(finding,),
    )
    return replace(
        manifest,
        discs=(disc,),
        session=ManifestSession(HOSTILE, HOSTILE),
        created_by=HOSTILE,
        open_findings=(finding,),
    )


def test_names_keep_all_their_blanks(tmp_path: Path) -> None:
    name = "kiosk  tide"
    manifest = sample_manifest()
    disc = replace(manifest.discs[0], label=name, purpose=name, expect=name, path=name)
    manifest = replace(manifest, discs=(disc,), session=ManifestSession(name, name))
    assert_blanks_kept([sheet_html(manifest)], tmp_path)


class Collector(HTMLParser):
    """Collects elements, attributes and text of a page."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.elements: list[str] = []
        self.open: list[str] = []
        self.attributes: list[tuple[str, str | None]] = []
        self.words = ""
        self.feed(page)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append(tag)
        self.attributes += attrs
        if tag not in ("meta", "input"):
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.words += data


FOR_HANDS = replace(
    FINDING,
    rule="first-disc-boots",
    target="",
    where="library/a.iso",
    message="The first disc does not boot",
    remedy="Put the disc that starts the machine first",
)


def test_every_step_says_what_the_person_needs() -> None:
    manifest = sample_manifest()
    page = Collector(sheet_html(manifest))
    assert page.open == []
    for words in (page.words, sheet_text(manifest)):
        flat = " ".join(words.split())
        for disc in manifest.discs:
            assert disc.path in flat
            assert disc.purpose in flat
            assert disc.expect in flat
            assert disc.code in flat
            assert disc.digests.sha256 in flat
        assert "as a 1.44 MB floppy (PC BIOS)" in flat
        assert "disc 1 again" in flat
        assert re.search(r"Errors for:?\s*win9x", flat)
        assert "session note K7C worked" in flat
        assert "MAY ERASE" in flat
        assert "600.0 KiB, 5 files inside" in flat


def test_there_is_one_tick_for_each_disc_and_system() -> None:
    """The sample's three discs are for dos and win9x: a chapter for each."""
    manifest = sample_manifest()
    chapters = run_sheet(manifest).chapters
    assert [(one.title, one.positions) for one in chapters] == [
        ("dos", "discs 1, 2, 3"),
        ("win9x", "discs 1, 2, 3"),
    ]
    assert [item.is_again for one in chapters for item in one.items] == [False] * 3 + [True] * 3
    text = sheet_text(manifest)
    assert text.count("[ ] worked   [ ] failed") == 6
    assert text.count("[ ]") == 2 * 6 + len(chapters)
    assert Collector(sheet_html(manifest)).elements.count("input") == 2 * 6 + len(chapters)
    loose = replace(manifest.discs[0], targets=(), passed=())
    (only,) = run_sheet(replace(manifest, discs=(loose,))).chapters
    assert only.title == "no system"


def test_findings_are_there_once_and_only_where_hands_can_act() -> None:
    manifest = sample_manifest()
    at_desk = FINDING  # a name that is too long is shortened at home
    disc = replace(manifest.discs[0], open_findings=(FOR_HANDS, at_desk))
    about_system = replace(FOR_HANDS, rule="memory-within-reach", target="win9x", message="Use C")
    for_both = replace(about_system, message="The disk is large")
    machine = (about_system, for_both, replace(for_both, target="dos"), at_desk)
    manifest = replace(manifest, discs=(disc, *manifest.discs[1:]), open_findings=machine)
    sheet = run_sheet(manifest)
    assert [one.message for one in sheet.before] == ["The disk is large (win9x, dos)"]
    assert [[one.message for one in chapter.watch] for chapter in sheet.chapters] == [[], ["Use C"]]
    for words in (Collector(sheet_html(manifest)).words, sheet_text(manifest)):
        flat = " ".join(words.split())
        for message in ("The first disc does not boot", "Use C", "The disk is large"):
            assert flat.count(message) == 1
        assert at_desk.message not in flat
        assert "library" not in flat


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


PLAN = b"""
name = "n"
targets = ["win9x", "dos"]
[machine]
processor = "450 MHz"
memory = "256MB"
disk = "4GB"
firmware = "bios"
usb_boot = true
settings = ["Boot order: USB first"]
notes = "The key is on the sticker under the case"
[[machine.part]]
what = "Quillon Audio 16"
where = "third slot"
jumpers = "IRQ 5"
[[step]]
do = "Take 768 MB out"
[[step]]
do = "Make the partitions"
system = "dos"
partitions = [{ system = "dos", filesystem = "FAT16", size = "500MB" }]
[[step]]
do = "Restart"
system = "win9x"
after = "a"
[[step]]
do = "Look at the drive"
before = "b"
[[disc]]
image = "a"
[[disc]]
image = "b"
"""


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


def test_the_page_needs_nothing_else() -> None:
    page = sheet_html(sample_manifest())
    assert not re.search(r"src\s*=|href\s*=(?!\"#chapter-)|url\(", page)
    assert "default-src 'none'" in page
    assert "script" not in Collector(page).elements
    assert "@media print" in page
    assert "@page" in page


def test_severity_is_said_in_words_and_not_by_colour_alone() -> None:
    manifest = sample_manifest()
    disc = replace(manifest.discs[0], open_findings=(FOR_HANDS,))
    manifest = replace(manifest, discs=(disc,))
    assert ">warning</span>" in sheet_html(manifest)
    assert "WARNING: Put the disc that starts" in sheet_text(manifest)


def test_nothing_from_a_disc_becomes_markup_or_steers_a_terminal() -> None:
    plain = Collector(sheet_html(sample_manifest()))
    page = sheet_html(hostile_manifest())
    parsed = Collector(page)
    told = {"div", "p", "span", "strong", "ul", "li", "input"}
    assert set(parsed.elements) <= set(plain.elements) | told
    assert parsed.words.count("<script>") >= 10  # all are there, as words
    for words in (page, sheet_text(hostile_manifest())):
        assert "\x1b" not in words
        assert "\u202e" not in words
        assert "\\x1b[2J\\u202e" in words


@settings(derandomize=True, deadline=None, max_examples=40)
@given(manifests())
def test_any_manifest_gives_both_sheets(manifest: Manifest) -> None:
    parsed = Collector(sheet_html(manifest))
    assert parsed.open == []
    lines = sheet_text(manifest).splitlines()
    assert all(display_width(line) <= TEXT_WIDTH for line in lines)
    assert sheet_html(manifest) == sheet_html(manifest)


def test_what_an_image_was_made_of_is_said_where_it_is_no_copy() -> None:
    manifest = sample_manifest()

    def text(origin: Origin) -> str:
        disc = replace(manifest.discs[0], origin=origin)
        return " ".join(sheet_text(replace(manifest, discs=(disc,))).split())

    raw = Origin("converted", "sounds.bin", 9, SOME_DIGESTS)
    assert "Made of: the data track of sounds.bin Errors for" in text(raw)
    padded = Origin("copied", "charts.iso", 9, SOME_DIGESTS, 2048)
    assert "Made of: charts.iso, with 2.0 KiB of zeros after it" in text(padded)
    assert "Made of" not in text(manifest.discs[0].origin)


def four_systems() -> tuple[Manifest, list[SheetDevice]]:
    """Four systems with six traps, two discs and six devices each, as a crowded plan has."""
    manifest = sample_manifest()
    systems = ("dos", "win9x", "nt4", "nt5")
    text = "the machine has 1.0 GiB of memory; over 512 MiB the file cache can leave none for it"
    traps = tuple(
        replace(
            FOR_HANDS,
            rule="memory-within-cache-limit",
            target=system,
            message=f"{text} ({number})",
            remedy="take memory out until the system runs, then set the limit in its settings",
        )
        for system in systems
        for number in range(6)
    )
    own = [
        replace(
            manifest.discs[1],
            position=number,
            code=f"A{number}X",
            path=f"0{number}.iso",
            targets=(system,),
            passed=(system,),
            after=(),
        )
        for number, system in enumerate(systems, start=2)
    ]
    shared = replace(own[0], position=6, code="A6X", path="6.iso", targets=systems, passed=systems)
    discs = (replace(manifest.discs[0], targets=(), passed=()), *own, shared)
    devices = [
        SheetDevice(system, f"Mossgate Chipset {number}", "00:07.0", "disc 6: Mossgate", "")
        for system in systems
        for number in range(6)
    ]
    return replace(manifest, discs=discs, open_findings=traps), devices


@pytest.mark.parametrize("paper", ["A4", "letter"])
def test_no_system_needs_more_than_one_page(paper: str, tmp_path: Path) -> None:
    """The page leaves the size to the printer; here the browser is told which one it is."""
    manifest, devices = four_systems()
    page = sheet_html(manifest, None, devices)
    assert "size:" not in page.partition("@page")[2].partition("}")[0]
    counts = []
    for html in (page, sheet_html(replace(manifest, discs=manifest.discs[:1], open_findings=()))):
        sized = html.replace("@page {", f"@page {{ size: {paper};", 2)
        counts.append(printed_pages(sized, tmp_path))
    whole, alone = counts
    assert whole - alone <= 4  # the four systems; the rest of the sheet is in both


def test_the_sheet_fits_a_phone(tmp_path: Path) -> None:
    name = "x" * 200
    manifest = sample_manifest()
    disc = replace(
        manifest.discs[0],
        label=name,
        purpose=name,
        expect=name,
        open_findings=(replace(FOR_HANDS, message=name, remedy=name),),
    )
    device = SheetDevice("dos", name, name, name, name)
    plan = parse_plan(PLAN, Path())
    pages = [
        sheet_html(manifest),
        sheet_html(replace(manifest, discs=(disc,))),
        sheet_html(manifest, plan, [device]),
    ]
    frames = [frame(page, width) for page in pages for width in (PHONE, 1280)]
    measured = said_by(run(MEASURE % "".join(frames), tmp_path))
    assert [one["width"] for one in measured] == [PHONE, 1280] * 3
