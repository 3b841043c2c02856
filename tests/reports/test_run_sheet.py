"""The run sheet: complete, narrow enough, self-contained, and safe whatever a disc is called."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from hypothesis import given, settings
from msgspec.structs import replace
from test_pages_in_browser import MEASURE, PHONE, frame, run, said_by

from browser import assert_blanks_kept, printed_pages
from mediashelf.reports.bench.run_sheet import TEXT_WIDTH, sheet_html, sheet_text
from mediashelf.reports.bench.sheet_chapters import SheetDevice
from mediashelf.reports.bench.sheet_contents import run_sheet
from mediashelf.sessions.manifests.parts import Contents, Origin
from mediashelf.sessions.manifests.values import Manifest, ManifestSession
from mediashelf.text import display_width
from plan_texts import parse_plan
from run_sheets import FOR_HANDS, PLAN, Collector
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
